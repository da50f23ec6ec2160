package main

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// explainPage is what `loss --explain` prints.
type explainPage struct {
	resp    *pb.ExplainLossResponse
	scope   string
	outside bool
	rest    bool // there are more pieces than were asked for
	zones   map[string]*time.Location
}

// zonesOf are the zones of plants, by slug.
func zonesOf(plants []*pb.Plant) map[string]*time.Location {
	out := map[string]*time.Location{}
	for _, p := range plants {
		if z, err := time.LoadLocation(p.GetZone()); err == nil {
			out[p.GetPlant()] = z
		}
	}
	return out
}

// minutesText is a time in minutes to the thousandth.
func minutesText(us int64) string { return fixed(roundRatio(us, 1, 60_000), 3) + " min" }

// metersText is a length in meters to the millimeter.
func metersText(mm int64) string { return fixed(mm, 3) + " m" }

// amountText is the time and the length, what there is of them.
func amountText(us, mm int64) string {
	switch {
	case mm == 0:
		return minutesText(us)
	case us == 0:
		return metersText(mm)
	}
	return minutesText(us) + "  " + metersText(mm)
}

func printExplain(w io.Writer, p explainPage) {
	r := p.resp
	where := "inside planned time"
	if p.outside {
		where = "outside planned time"
	}
	wrapped(w, "", "", fmt.Sprintf("%s (%s) of %s, %s, %s: %s.", r.GetLeaf().GetName(), r.GetLeaf().GetLeaf(), p.scope, periodText(r.GetPeriod()), where,
		amountText(r.GetLeaf().GetTimeUs(), r.GetLeaf().GetLengthMm())))
	head := ""
	var us, mm int64
	for _, x := range r.GetPieces() {
		us, mm = us+x.GetTimeUs(), mm+x.GetLengthMm()
		plant, _, _ := strings.Cut(x.GetPress(), "/")
		zone := p.zones[plant]
		if zone == nil {
			zone = time.UTC
		}
		if h := fmt.Sprintf("%s, production day %s (%s)", x.GetPress(), x.GetDay(), zone); h != head {
			fmt.Fprintf(w, "\n%s\n", h)
			head = h
		}
		printPiece(w, x, zone)
	}
	fmt.Fprintln(w)
	switch n := int64(len(r.GetPieces())); {
	case n == 0 && !p.rest:
		fmt.Fprintln(w, "Nothing was booked to it.")
	case p.rest:
		fmt.Fprintf(w, "The first %s: %s. There are more: raise --limit.\n", plural(n, "stretch", "stretches"), amountText(us, mm))
	default:
		fmt.Fprintf(w, "%s: %s.\n", plural(n, "stretch", "stretches"), amountText(us, mm))
	}
	if leaf := r.GetLeaf().GetLeaf(); strings.HasSuffix(leaf, "_waste") || strings.HasSuffix(leaf, "_slow") {
		wrapped(w, "", "", "Times of waste and slow running are length by rated speed, exact fractions: each stretch takes what the running sum of its day, rounded to the microsecond, grows by, so that they close on the leaf.")
	}
	for _, n := range r.GetNotes() {
		wrapped(w, "", "", n)
	}
}

// printPiece prints one stretch: when and how much, which rule, the events.
func printPiece(w io.Writer, x *pb.LossPiece, zone *time.Location) {
	clock := func(t time.Time) string {
		t = t.In(zone)
		switch {
		case t.Nanosecond() != 0:
			return t.Format("15:04:05.000")
		case t.Second() != 0:
			return t.Format("15:04:05")
		}
		return t.Format("15:04")
	}
	from, to := x.GetFrom().AsTime(), x.GetTo().AsTime()
	line := fmt.Sprintf("%s–%s", clock(from), clock(to))
	if to.Sub(from) >= 24*time.Hour || from.In(zone).Format(time.DateOnly) != x.GetDay() {
		line = from.In(zone).Format("01-02 ") + line
	}
	parts := []string{amountText(x.GetTimeUs(), x.GetLengthMm())}
	if x.GetShift() != "" {
		parts = append(parts, x.GetShift())
	}
	state := "no slice"
	if x.GetState() != pb.State_STATE_UNSPECIFIED {
		state = strings.ToLower(strings.TrimPrefix(x.GetState().String(), "STATE_"))
	}
	parts = append(parts, state)
	for _, f := range []struct{ name, text string }{{"reason", x.GetReason()}, {"station", x.GetStation()}, {"job", x.GetJob()}, {"", x.GetPart()}} {
		if f.text != "" {
			parts = append(parts, strings.TrimSpace(f.name+" "+f.text))
		}
	}
	wrapped(w, "  "+line+" ", "      ", strings.Join(parts, ", "))
	why := x.GetWhy()
	if x.GetSession() != "" {
		why += "; session " + x.GetSession()
	}
	if x.GetSlices() > 0 {
		why += "; " + plural(x.GetSlices(), "slice", "slices")
	}
	wrapped(w, "      "+ruleText(x.GetRule())+": ", "        ", why)
	if len(x.GetEvents()) > 0 {
		wrapped(w, "      events: ", "        ", strings.Join(x.GetEvents(), " "))
	}
}

// ruleText names a rule by its number.
func ruleText(rule int32) string {
	switch rule {
	case 0:
		return "no rule"
	case 8:
		return "booking"
	case 9:
		return "remainder"
	}
	return "rule " + strconv.Itoa(int(rule))
}

func explainCSV(r *pb.ExplainLossResponse) (header []string, rows [][]string) {
	header = []string{"press", "day", "shift", "from", "to", "time_us", "length_mm", "state", "reason", "station", "job", "part", "rule", "why", "session", "slices", "events"}
	for _, x := range r.GetPieces() {
		rows = append(rows, []string{x.GetPress(), x.GetDay(), x.GetShift(), stamp(x.GetFrom()), stamp(x.GetTo()), strconv.FormatInt(x.GetTimeUs(), 10), strconv.FormatInt(x.GetLengthMm(), 10),
			strings.ToLower(strings.TrimPrefix(x.GetState().String(), "STATE_")), x.GetReason(), x.GetStation(), x.GetJob(), x.GetPart(), strconv.Itoa(int(x.GetRule())), x.GetWhy(), x.GetSession(),
			strconv.FormatInt(x.GetSlices(), 10), strings.Join(x.GetEvents(), " ")})
	}
	return header, rows
}
