package loss

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/downweb/downweb/analytics/stats"
)

// Usual sets a period's maintenance share against the weeks before it.
type Usual struct {
	Weeks  []float64 // points of maintenance in the weeks of the period, in order
	Before []float64 // the same in the weeks before it, those with enough known time, in order
	Short  bool      // the period is shorter than a week
	Doubt  bool      // the period's own known time is too low to judge
}

// Verdict is what Usual comes to.
type Verdict uint8

// Verdicts.
const (
	VerdictNone Verdict = iota // too short a history or period
	VerdictUsual
	VerdictMore
	VerdictLess
	VerdictMixed // some weeks are, others are not
)

// Judge compares the period's weeks with the limits of an individuals chart of
// the weeks before.
func (u Usual) Judge() (Verdict, stats.Xmr) {
	limits, err := stats.Individuals(u.Before)
	if err != nil || u.Short || u.Doubt || len(u.Weeks) == 0 {
		return VerdictNone, limits
	}
	more, less := 0, 0
	for _, w := range u.Weeks {
		if w > limits.High {
			more++
		} else if w < limits.Low {
			less++
		}
	}
	switch {
	case more == 0 && less == 0:
		return VerdictUsual, limits
	case more == len(u.Weeks):
		return VerdictMore, limits
	case less == len(u.Weeks):
		return VerdictLess, limits
	}
	return VerdictMixed, limits
}

// words of the verdict.
func (u Usual) words() string {
	v, l := u.Judge()
	within := fmt.Sprintf("%s to %s a week in the %d weeks before", points1(max(0, l.Low)), points1(l.High), len(u.Before))
	switch v {
	case VerdictUsual:
		return "within usual variation (" + within + ")"
	case VerdictMore:
		return "more than usual (" + within + ")"
	case VerdictLess:
		return "less than usual (" + within + ")"
	case VerdictMixed:
		out := 0
		for _, w := range u.Weeks {
			if w > l.High || w < l.Low {
				out++
			}
		}
		return fmt.Sprintf("%d of %d weeks outside usual variation (%s)", out, len(u.Weeks), within)
	}
	switch {
	case u.Doubt:
		return "too little is known to say whether that is usual"
	case u.Short:
		return "less than a week: not set against usual variation"
	}
	return "too few weeks before it to say what is usual"
}

// Summary is what the sentence says.
type Summary struct {
	Scope          string // words, e.g. "rhein/p1" or "the fleet"
	Period         string // e.g. "2026-06-22 to 2026-06-28"
	Planned        int64  // ms
	CleaningUS     int64
	DirtUS         int64
	CleaningPoints float64
	DirtPoints     float64
	Money          []string // amounts of both, one per currency and basis, printed
	Station        string   // the one that most of it names (planned cleaning names none); empty: none is named
	StationPoints  float64  // share of the whole scope's planned time
	Missed         int64
	Skipped        int64
	Counted        int64 // duties that count: on time, late, missed, skipped
	Known          float64
	Usual          Usual
}

// sentenceHours is how many hours are told without their minutes.
const sentenceHours = 100

// Part is one piece of the sentence.
type Part struct{ Part, Text, Key string }

// Sentence answers in one sentence, and in its parts. Figures are rounded for
// the eye: points and shares to one decimal, times to the minute, from
// sentenceHours on to the hour. The total is
// the sum of the two printed halves.
func (s Summary) Sentence() (string, []Part) {
	if s.Planned <= 0 {
		text := fmt.Sprintf("Nothing was planned for %s in %s, or no press has reported yet.", s.Scope, s.Period)
		return text, []Part{{Part: "cost", Text: text}}
	}
	c, d := tenths(s.CleaningPoints), tenths(s.DirtPoints)
	tenth := func(n int64) string {
		sign := ""
		if n < 0 {
			sign, n = "-", -n
		}
		return fmt.Sprintf("%s%d.%d", sign, n/10, n%10)
	}
	cleaning, dirt := wholeMinutes(s.CleaningUS), wholeMinutes(s.DirtUS)
	span := duration
	if cleaning+dirt >= sentenceHours*60 {
		cleaning, dirt = wholeHours(s.CleaningUS), wholeHours(s.DirtUS)
		span = func(h int64) string { return groupDigits(strconv.FormatInt(h, 10)) + " h" }
	}
	cost := []string{fmt.Sprintf("%s points of OEE", tenth(c+d)), span(cleaning + dirt)}
	cost = append(cost, s.Money...)
	parts := []Part{
		{Part: "cost", Text: fmt.Sprintf("Maintenance cost %s %s", s.Scope, list(cost))},
		{Part: "cleaning", Text: fmt.Sprintf("cleaning %s (%s)", tenth(c), span(cleaning)), Key: "cleaning"},
		{Part: "dirt", Text: fmt.Sprintf("dirt %s (%s)", tenth(d), span(dirt)), Key: "dirt"},
	}
	if s.Station == "" {
		parts = append(parts, Part{Part: "station", Text: "no station is named in it"})
	} else {
		parts = append(parts, Part{Part: "station", Text: fmt.Sprintf("most put down to one station: %s (%s)", s.Station, points1(s.StationPoints)), Key: s.Station})
	}
	missed := "no duties were due"
	if s.Counted > 0 {
		missed = fmt.Sprintf("%s missed and %s skipped of %s", groupDigits(strconv.FormatInt(s.Missed, 10)), groupDigits(strconv.FormatInt(s.Skipped, 10)), count(s.Counted, "duty", "duties"))
	}
	parts = append(parts,
		Part{Part: "missed", Text: missed},
		Part{Part: "known", Text: fmt.Sprintf("%s %% of the time known", share1(s.Known))},
		Part{Part: "usual", Text: s.Usual.words()})
	var rest []string
	for _, p := range parts[3:] {
		rest = append(rest, p.Text)
	}
	return fmt.Sprintf("%s: %s, %s; %s.", parts[0].Text, parts[1].Text, parts[2].Text, strings.Join(rest, "; ")), parts
}

func count(n int64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return groupDigits(strconv.FormatInt(n, 10)) + " " + many
}

// list joins with commas and one "and".
func list(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

func tenths(points float64) int64      { return int64(math.RoundToEven(points * 10)) }
func wholeHours(us int64) int64        { return int64(math.RoundToEven(float64(us) / 3600e6)) }
func wholeMinutes(us int64) int64      { return int64(math.RoundToEven(float64(us) / 60e6)) }
func points1(points float64) string    { return strconv.FormatFloat(points, 'f', 1, 64) }
func share1(share float64) string      { return strconv.FormatFloat(floorTo(100*share, 10), 'f', 1, 64) }
func floorTo(v, units float64) float64 { return math.Floor(v*units+1e-9) / units } // 99.97 % known is not 100.0

// duration writes minutes, from two hours on as hours and minutes.
func duration(minutes int64) string {
	sign := ""
	if minutes < 0 {
		sign, minutes = "-", -minutes
	}
	if minutes < 120 {
		return fmt.Sprintf("%s%d min", sign, minutes)
	}
	return fmt.Sprintf("%s%s h %02d min", sign, groupDigits(strconv.FormatInt(minutes/60, 10)), minutes%60)
}

// groupDigits sets a comma before each three digits of the whole part.
func groupDigits(text string) string {
	whole, rest, _ := strings.Cut(text, ".")
	sign := ""
	if strings.HasPrefix(whole, "-") {
		sign, whole = "-", whole[1:]
	}
	for i := len(whole) - 3; i > 0; i -= 3 {
		whole = whole[:i] + "," + whole[i:]
	}
	if rest != "" {
		whole += "." + rest
	}
	return sign + whole
}

// MoneyRound writes an amount for a sentence: from five digits on in whole
// units, e.g. "EUR 12,346".
func MoneyRound(currency string, m *Money) string {
	if whole := RoundMoney(m, 0); len(strings.TrimPrefix(whole, "-")) >= 5 {
		return currency + " " + groupDigits(whole)
	}
	return MoneyText(currency, m)
}

// MoneyText writes an amount for people, e.g. "EUR 12,345.60".
func MoneyText(currency string, m *Money) string {
	return currency + " " + groupDigits(RoundMoney(m, Decimals(currency)))
}
