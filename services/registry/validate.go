package registry

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	_ "time/tzdata" // zones are the same on every machine
	"unicode"
	"unicode/utf8"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

var (
	slugRule     = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)
	currencyRule = regexp.MustCompile(`^[A-Z]{3}$`)
	decimalRule  = regexp.MustCompile(`^[0-9]{1,8}(\.[0-9]{1,6})?$`)
	languageRule = regexp.MustCompile(`^[a-z]{2,3}(-[A-Za-z0-9]{2,8})*$`)
)

// Validate lists everything wrong with a document, in document order; none: it
// may be applied. Field paths are those of the document, lists counted from 0.
func Validate(p *pb.Plant) []Problem {
	if p == nil {
		return []Problem{{Reason: "no document"}}
	}
	v := &validator{plant: p, presses: map[string]*pb.Press{}, kinds: map[string]bool{}}
	for _, x := range p.Presses {
		if x != nil {
			v.presses[x.Press] = x
			v.kinds[x.Kind] = true
		}
	}
	if !v.check(noNil(p.Calendars) && noNil(p.LabourRates) && noNil(p.WebRates) && noNil(p.Presses), "", "holds an empty list entry") {
		return v.problems
	}
	v.head()
	v.allCalendars()
	v.allReasons()
	v.allPresses()
	v.allPlans()
	v.money()
	return v.problems
}

// noNil says that a list made in memory has no holes; text and wire cannot.
func noNil[T any](list []*T) bool { return !slices.Contains(list, nil) }

type validator struct {
	plant    *pb.Plant
	presses  map[string]*pb.Press
	kinds    map[string]bool
	problems []Problem
}

func (v *validator) problem(field, format string, args ...any) {
	v.problems = append(v.problems, Problem{Field: field, Reason: fmt.Sprintf(format, args...)})
}

func (v *validator) check(ok bool, field, format string, args ...any) bool {
	if !ok {
		v.problem(field, format, args...)
	}
	return ok
}

func (v *validator) slug(s, field string) bool {
	return v.check(slugRule.MatchString(s), field, "%q is not a slug: 1 to 40 of a-z, 0-9 and -, not starting with -", s)
}

// word checks a name that events and questions repeat.
func (v *validator) word(s, field string) {
	ok := s != "" && utf8.RuneCountInString(s) <= 64 && strings.TrimSpace(s) == s
	v.check(ok && !strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) }), field,
		"%q is not a name of 1 to 64 printable characters", s)
}

func (v *validator) text(s, field string) {
	v.check(len(s) <= 500, field, "is longer than 500 bytes")
	v.check(!strings.ContainsFunc(s, func(r rune) bool { return r < 0x20 && r != '\n' || r == 0x7f }), field, "holds control characters")
}

// unique reports a key that was seen before.
func (v *validator) unique(seen map[string]int, key, field, format string, args ...any) {
	if _, ok := seen[key]; ok {
		v.problem(field, format, args...)
		return
	}
	seen[key] = len(seen)
}

func (v *validator) within(x float64, low, high float64, field, unit string) bool {
	return v.check(x >= low && x <= high, field, "must be %g to %g %s", low, high, unit) // false for NaN
}

// day checks a date and returns it; an empty one is NoDay where it may be.
func (v *validator) day(s, field string, mayBeEmpty bool) (timeline.Day, bool) {
	if s == "" && mayBeEmpty {
		return timeline.NoDay, true
	}
	d, err := timeline.ParseDay(s)
	if err == nil && (s < "1970-01-01" || s > "2199-12-31") {
		err = fmt.Errorf("day %q is not between 1970-01-01 and 2199-12-31", s)
	}
	if err != nil {
		v.problem(field, "%v", err)
		return 0, false
	}
	return d, true
}

// parseClock reads HH:MM as minutes after midnight.
func parseClock(s string) (int, bool) {
	if len(s) != 5 || s[2] != ':' {
		return 0, false
	}
	h, err1 := strconv.ParseUint(s[:2], 10, 8)
	m, err2 := strconv.ParseUint(s[3:], 10, 8)
	if err1 != nil || err2 != nil || h > 23 || m > 59 {
		return 0, false
	}
	return int(h*60 + m), true
}

func (v *validator) clock(s, field string) (int, bool) {
	m, ok := parseClock(s)
	return m, v.check(ok, field, "%q is not a time of day HH:MM", s)
}

// pressList checks that the presses named exist and are named once.
func (v *validator) pressList(names []string, field string) {
	seen := map[string]int{}
	for i, n := range names {
		at := fmt.Sprintf("%s[%d]", field, i)
		v.check(v.presses[n] != nil, at, "press %q is not in the document", n)
		v.unique(seen, n, at, "press %q is named twice", n)
	}
}

func (v *validator) head() {
	p := v.plant
	v.slug(p.Plant, "plant")
	v.text(p.Name, "name")
	if _, err := time.LoadLocation(p.Zone); p.Zone == "" || p.Zone == "Local" || err != nil {
		v.problem("zone", "%q is not an IANA time zone like Europe/Berlin", p.Zone)
	}
	v.check(currencyRule.MatchString(p.Currency), "currency", "%q is not an ISO 4217 code like EUR", p.Currency)
	v.check(pb.DayOf_name[int32(p.DayOf)] != "", "day_of", "%d is not known", p.DayOf)
	v.check(pb.Policy_name[int32(p.Policy)] != "", "policy", "%d is not known", p.Policy)
	v.within(p.OpenCloseMinutes, 0, 480, "open_close_minutes", "minutes")
	v.within(p.GraceMinutes, 0, 480, "grace_minutes", "minutes")
	v.within(p.ValidForHours, 0, 240, "valid_for_hours", "hours")
	seen := map[string]int{}
	for i, h := range p.Hands {
		at := fmt.Sprintf("hands[%d]", i)
		if v.check(h.GetOccasion() != 0 && pb.Occasion_name[int32(h.GetOccasion())] != "", at+".occasion", "is missing or not known") {
			v.unique(seen, h.Occasion.String(), at+".occasion", "is given twice")
		}
		v.within(float64(h.GetPeople()), 1, 50, at+".people", "people")
	}
}

func (v *validator) allReasons() {
	seen := map[string]int{}
	for i, r := range v.plant.Reasons {
		at := fmt.Sprintf("reasons[%d]", i)
		v.slug(r.GetSlug(), at+".slug")
		v.unique(seen, r.GetSlug(), at+".slug", "reason %q is given twice", r.GetSlug())
		v.texts(r.GetText(), at+".text")
		v.check(r.GetClass() != 0 && pb.ReasonClass_name[int32(r.GetClass())] != "", at+".class", "is missing or not known")
	}
	seen = map[string]int{}
	for i, r := range v.plant.SkipReasons {
		at := fmt.Sprintf("skip_reasons[%d]", i)
		v.slug(r.GetSlug(), at+".slug")
		v.unique(seen, r.GetSlug(), at+".slug", "skip reason %q is given twice", r.GetSlug())
		v.texts(r.GetText(), at+".text")
		v.check(r.GetClass() != 0 && pb.SkipClass_name[int32(r.GetClass())] != "", at+".class", "is missing or not known")
	}
}

func (v *validator) texts(m map[string]string, field string) {
	for _, lang := range sortedKeys(m) {
		v.check(languageRule.MatchString(lang), field+"."+lang, "%q is not a language code like en", lang)
		v.text(m[lang], field+"."+lang)
	}
}

func (v *validator) allPresses() {
	v.check(len(v.plant.Presses) <= 10000, "presses", "more than 10000 presses")
	seen := map[string]int{}
	for i, p := range v.plant.Presses {
		at := fmt.Sprintf("presses[%d]", i)
		v.slug(p.GetPress(), at+".press")
		v.unique(seen, p.GetPress(), at+".press", "press %q is given twice", p.GetPress())
		v.check(p.GetPress() != timeline.PlantPress, at+".press", "%q is kept for what is said of the whole plant: give the press another name", p.GetPress())
		v.text(p.GetName(), at+".name")
		v.word(p.GetKind(), at+".kind")
		v.within(float64(p.GetWebWidthMm()), 0, 10000, at+".web_width_mm", "mm")
		v.within(float64(p.GetRatedMmPerMin()), 1, 2e6, at+".rated_mm_per_min", "mm/min")
		v.within(float64(p.GetRestartMm()), 0, 1e9, at+".restart_mm", "mm")
		stations := map[string]int{}
		for j, s := range p.GetStations() {
			to := fmt.Sprintf("%s.stations[%d]", at, j)
			v.slug(s.GetSlug(), to+".slug")
			v.unique(stations, s.GetSlug(), to+".slug", "station %q is given twice", s.GetSlug())
			v.text(s.GetName(), to+".name")
		}
	}
}

func (v *validator) decimal(s, field string) {
	v.check(s == "" || decimalRule.MatchString(s), field, "%q is not a decimal with at most 8 digits before and 6 after the point", s)
}

func (v *validator) money() {
	for i, p := range v.plant.Presses {
		seen := map[string]int{}
		if !v.check(noNil(p.GetRates()), fmt.Sprintf("presses[%d].rates", i), "holds an empty list entry") {
			continue
		}
		for j, r := range p.GetRates() {
			at := fmt.Sprintf("presses[%d].rates[%d]", i, j)
			v.day(r.GetValidFrom(), at+".valid_from", true)
			v.unique(seen, r.GetValidFrom(), at+".valid_from", "a second rate from the same day")
			v.decimal(r.GetPressHour(), at+".press_hour")
			v.decimal(r.GetContributionHour(), at+".contribution_hour")
			v.decimal(r.GetWebMeter(), at+".web_meter")
			v.check(!r.GetConstrained() || r.GetContributionHour() != "", at+".contribution_hour", "is needed where constrained is true")
		}
	}
	seen := map[string]int{}
	for i, r := range v.plant.LabourRates {
		at := fmt.Sprintf("labour_rates[%d]", i)
		v.day(r.GetValidFrom(), at+".valid_from", true)
		v.unique(seen, r.GetValidFrom(), at+".valid_from", "a second rate from the same day")
		v.decimal(r.GetLabourHour(), at+".labour_hour")
	}
	seen = map[string]int{}
	for i, r := range v.plant.WebRates {
		at := fmt.Sprintf("web_rates[%d]", i)
		v.day(r.GetValidFrom(), at+".valid_from", true)
		if r.GetSubstrate() != "" {
			v.word(r.Substrate, at+".substrate")
		}
		v.unique(seen, r.GetSubstrate()+" "+r.GetValidFrom(), at+".valid_from", "a second rate of this substrate from the same day")
		v.decimal(r.GetSquareMeter(), at+".square_meter")
	}
}

// instant checks a timestamp: present, whole milliseconds, a sane year.
func (v *validator) instant(t *timestamppb.Timestamp, field string) (int64, bool) {
	if t == nil || !t.IsValid() {
		v.problem(field, "is missing or not an instant")
		return 0, false
	}
	at := t.AsTime()
	ok := v.check(t.Nanos%1e6 == 0, field, "has more digits than milliseconds")
	ok = v.check(at.Year() >= 1970 && at.Year() < 2200, field, "is not between 1970 and 2199") && ok
	return at.UnixMilli(), ok
}
