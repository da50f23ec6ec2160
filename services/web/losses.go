package web

import (
	"fmt"
	"net/http"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/web/figures"
)

// lossesPage answers what maintenance cost, and where.
type lossesPage struct {
	frame
	Answer []piece // the sentence in pieces, most of them links
	Days   string
	Empty  bool // nothing was planned
	Tree   *ladder
	Scale  lossScale
	Scales []rangeLink
	By     *groupTable
	Bys    []rangeLink
	Doubt  []string // how far to trust it
	Other  []compareOffer
}

// piece is a stretch of the sentence.
type piece struct{ Text, Href string }

// compareOffer is a comparison that a click makes.
type compareOffer struct{ Text, Href string }

// lossGroups are what the losses may be divided by, as addresses name it.
var lossGroups = []struct {
	name, text string
	group      pb.LossGroup
	head       string
}{
	{"press", "press", pb.LossGroup_LOSS_GROUP_PRESS, "Press"}, {"plant", "plant", pb.LossGroup_LOSS_GROUP_PLANT, "Plant"}, {"kind", "press kind", pb.LossGroup_LOSS_GROUP_KIND, "Press kind"},
	{"shift", "shift", pb.LossGroup_LOSS_GROUP_SHIFT, "Shift"}, {"station", "station", pb.LossGroup_LOSS_GROUP_STATION, "Station"}, {"family", "product family", pb.LossGroup_LOSS_GROUP_FAMILY, "Product family"},
	{"day", "day", pb.LossGroup_LOSS_GROUP_DAY, "Production day"}, {"week", "week", pb.LossGroup_LOSS_GROUP_WEEK, "Week"}, {"month", "month", pb.LossGroup_LOSS_GROUP_MONTH, "Month"},
}

func (s *Site) serveLosses(w http.ResponseWriter, r *http.Request) {
	f, q, ok := s.open(w, r, "/", "Losses", "by", "scale", "all")
	if !ok {
		return
	}
	v := r.URL.Query()
	by := slices.IndexFunc(lossGroups, func(g struct {
		name, text string
		group      pb.LossGroup
		head       string
	}) bool {
		return g.name == v.Get("by")
	})
	if by < 0 {
		if v.Get("by") != "" {
			s.fail(w, r, f, badf("Losses cannot be divided by %q.", v.Get("by")))
			return
		}
		by = 0
		if len(q.Scopes) == 1 && strings.Contains(q.Scopes[0], "/") { // one press: its shifts
			by = 3
		}
	}
	var sum *pb.GetLossSummaryResponse
	var tree *pb.GetLossesResponse
	g, ctx := errgroup.WithContext(r.Context())
	g.Go(func() (err error) {
		sum, err = s.losses.GetLossSummary(ctx, &pb.GetLossSummaryRequest{Scope: q.scope(), Period: q.period()})
		return err
	})
	g.Go(func() (err error) {
		tree, err = s.losses.GetLosses(ctx, &pb.GetLossesRequest{Scope: q.scope(), Period: q.period(), GroupBy: lossGroups[by].group})
		return err
	})
	if err := g.Wait(); err != nil {
		s.fail(w, r, f, err)
		return
	}
	p := lossesPage{frame: f, Days: q.Days(), Scale: lossScale(v.Get("scale"))}
	t := tree.GetTotal()
	p.Live = q.movedAddress(tree, s.now())
	p.Foot = append(moneyWords(t), q.pins(tree.GetAsOf())...)
	p.Empty = t.GetPlannedBusyUs() <= 0 && len(t.GetOutside()) == 0
	p.Answer = p.link(q, sum)
	here := []string{"by", v.Get("by"), "scale", string(p.Scale)}
	with := func(k, x string) string { return q.Link("/", append(slices.Clone(here), k, x)...) }
	if p.Scale != scaleLosses {
		p.Scale = scaleAll
	}
	p.Scales = []rangeLink{{"all planned time", with("scale", ""), p.Scale == scaleAll}, {"the losses only", with("scale", "losses"), p.Scale == scaleLosses}}
	p.Tree = newLadder(t, p.Scale, func(leaf string) string { return q.Link("/losses/leaf", "leaf", leaf) })
	p.By = newGroupTable(q, by, tree, v.Get("all") != "")
	p.By.More = with("all", "1")
	for i, x := range lossGroups {
		p.Bys = append(p.Bys, rangeLink{x.text, with("by", x.name) + "#by", i == by})
	}
	p.Doubt = doubts(tree)
	p.Other = offers(q)
	s.write(w, http.StatusOK, "losses", p)
}

// link cuts the sentence into its parts, each a link to what is behind it.
func (p *lossesPage) link(q *query, sum *pb.GetLossSummaryResponse) []piece {
	rest := sum.GetSentence()
	var out []piece
	for _, part := range sum.GetParts() {
		i := strings.Index(rest, part.GetText())
		if i < 0 || part.GetText() == "" {
			continue
		}
		if i > 0 {
			out = append(out, piece{Text: rest[:i]})
		}
		href := ""
		switch part.GetPart() {
		case "cost":
			href = "#ladder"
		case "cleaning", "dirt":
			href = "#apart"
		case "station":
			if href = q.Link("/", "by", "station") + "#by"; part.GetKey() != "" {
				href = q.Link("/stations", "station", part.GetKey())
			}
		case "missed":
			href = q.Link("/duties")
		case "known":
			href = "#doubt"
		case "usual":
			href = q.Link("/losses/trend")
		}
		if p.Empty {
			href = ""
		}
		out = append(out, piece{Text: part.GetText(), Href: href})
		rest = rest[i+len(part.GetText()):]
	}
	return append(out, piece{Text: rest})
}

// groupTable is the losses by press, shift, day or another division.
type groupTable struct {
	Head  string
	What  string
	Rows  []groupRow
	Left  int    // rows that are not shown
	More  string // address that shows them
	Money []string
}

type groupRow struct {
	Name, Href    string
	Planned       string
	OEE           string
	Cleaning      string // points
	CleaningTime  string
	Dirt          string
	DirtTime      string
	Known         string
	CleanW, DirtX string // percent of the picture
	DirtW         string
	Money         []string
}

// mostGroups is how many rows a table begins with.
const mostGroups = 25

func newGroupTable(q *query, by int, r *pb.GetLossesResponse, all bool) *groupTable {
	t := &groupTable{Head: lossGroups[by].head, What: lossGroups[by].text}
	groups := slices.Clone(r.GetGroups())
	byTime := lossGroups[by].group == pb.LossGroup_LOSS_GROUP_DAY || lossGroups[by].group == pb.LossGroup_LOSS_GROUP_WEEK || lossGroups[by].group == pb.LossGroup_LOSS_GROUP_MONTH
	share := func(x *pb.LossTree) float64 {
		return x.GetCleaning().GetOeePoints() + x.GetDirt().GetOeePoints()
	}
	if !byTime {
		sort.SliceStable(groups, func(i, j int) bool { return share(groups[i]) > share(groups[j]) })
	} else {
		slices.Reverse(groups) // the newest first
	}
	most := 0.0
	var leaves []*pb.LossLeaf
	for _, x := range groups {
		most = max(most, share(x))
		leaves = append(leaves, x.GetSum())
	}
	purses := figures.Purses(leaves...)
	for _, p := range purses {
		t.Money = append(t.Money, figures.PurseName(p))
	}
	if !all && len(groups) > mostGroups {
		t.Left, groups = len(groups)-mostGroups, groups[:mostGroups]
	}
	for _, x := range groups {
		row := groupRow{Planned: "–", OEE: "–", Known: "–",
			Cleaning: points(x.GetCleaning().GetOeePoints()), CleaningTime: clockText(figures.RoundRatio(x.GetCleaning().GetTimeUs(), 1, 60_000_000)),
			Dirt: points(x.GetDirt().GetOeePoints()), DirtTime: clockText(figures.RoundRatio(x.GetDirt().GetTimeUs(), 1, 60_000_000))}
		row.Name, row.Href = groupName(q, lossGroups[by].group, x.GetKey())
		if x.GetOk() {
			row.OEE = strconv.FormatFloat(100*x.GetOee(), 'f', 1, 64)
		}
		if x.GetPlannedBusyUs() > 0 {
			row.Planned = figures.Number(float64(x.GetPlannedBusyUs())/3.6e9, 1)
		}
		if x.GetCoverage().GetPlannedMs() > 0 {
			row.Known = known(x.GetCoverage().GetKnownShare())
		}
		if most > 0 {
			c, d := max(0, x.GetCleaning().GetOeePoints()/most*100), max(0, x.GetDirt().GetOeePoints()/most*100)
			row.CleanW, row.DirtX, row.DirtW = pct(c), pct(c), pct(d)
		}
		for _, p := range purses {
			row.Money = append(row.Money, moneyCell(append(slices.Clone(x.GetCleaning().GetMoney()), x.GetDirt().GetMoney()...), p))
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// points writes OEE points to two decimals.
func points(v float64) string { return minus(strconv.FormatFloat(v, 'f', 2, 64)) }

// known writes a share in percent, rounded down: 99.97 % is not all.
func known(share float64) string {
	return strconv.FormatFloat(float64(int(share*1000+1e-9))/10, 'f', 1, 64)
}

// groupName is a group's name for people and the address that narrows to it.
func groupName(q *query, by pb.LossGroup, key string) (name, href string) {
	if key == "" {
		return "none named", ""
	}
	day := func(text string) (time.Time, bool) {
		t, err := time.Parse(time.DateOnly, text)
		return t, err == nil
	}
	span := func(from, to time.Time) string {
		return q.Link("/", "from", later(from, q.From).Format(time.DateOnly), "to", earlier(to, q.To).Format(time.DateOnly))
	}
	switch by {
	case pb.LossGroup_LOSS_GROUP_PRESS:
		return q.pressName(key), q.Link("/", "scope", key, "kind", "")
	case pb.LossGroup_LOSS_GROUP_PLANT:
		for _, p := range q.plants {
			if p.GetPlant() == key {
				name = p.GetName()
			}
		}
		return named(name, key), q.Link("/", "scope", key)
	case pb.LossGroup_LOSS_GROUP_KIND:
		return key, q.Link("/", "kind", key)
	case pb.LossGroup_LOSS_GROUP_STATION:
		return q.stationName(key), q.Link("/stations", "station", key)
	case pb.LossGroup_LOSS_GROUP_DAY:
		if t, ok := day(key); ok {
			return t.Format("Mon 2 Jan 2006"), span(t, t)
		}
	case pb.LossGroup_LOSS_GROUP_WEEK:
		if t, ok := weekStart(key); ok {
			return key + ", from " + t.Format("2 Jan"), span(t, t.AddDate(0, 0, 6))
		}
	case pb.LossGroup_LOSS_GROUP_MONTH:
		if t, err := time.Parse("2006-01", key); err == nil {
			return t.Format("January 2006"), span(t, t.AddDate(0, 1, -1))
		}
	}
	return key, ""
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// weekStart is the Monday of an ISO week such as 2026-W26.
func weekStart(key string) (time.Time, bool) {
	var year, week int
	if n, err := fmt.Sscanf(key, "%4d-W%2d", &year, &week); n != 2 || err != nil {
		return time.Time{}, false
	}
	jan4 := time.Date(year, 1, 4, 0, 0, 0, 0, time.UTC) // is in week 1 (ISO 8601)
	t := jan4.AddDate(0, 0, -(int(jan4.Weekday())+6)%7+7*(week-1))
	y, n := t.ISOWeek()
	return t, y == year && n == week
}

// moneyWords say by what minutes were priced.
func moneyWords(t *pb.LossTree) []string {
	if len(t.GetSum().GetMoney()) == 0 {
		return []string{"No press in scope has rates of money: nothing is priced."}
	}
	basis := "at the " + t.GetBasis()
	if t.GetBasis() == "" {
		basis = "at each press's own basis (they are mixed; amounts of two bases are never added)"
	}
	return []string{"Money: minutes " + basis + ", meters at the price of the web, by each day's rates."}
}

// doubts say how far to trust a tree.
func doubts(r *pb.GetLossesResponse) []string {
	t, c := r.GetTotal(), r.GetTotal().GetCoverage()
	var out []string
	add := func(format string, a ...any) { out = append(out, fmt.Sprintf(format, a...)) }
	hours := func(ms int64) string { return clockText(figures.RoundRatio(ms, 1, 60_000)) + " h" }
	if c.GetPlannedMs() == 0 {
		add("Nothing is known of these days: no time was planned, or no press has reported.")
	} else {
		add("%s %% of the planned time is known: measured %s, stated by people %s, unknown %s.", known(c.GetKnownShare()), hours(c.GetMeasuredMs()), hours(c.GetStatedMs()), hours(c.GetUnknownMs()))
		if c.GetKnownShare() < 0.98 {
			add("Less than 98 %% is known: OEE lies between %s (all unknown time lost) and %s (unknown like the rest).", figures.Percent(t.GetOeeLow(), 1), figures.Percent(t.GetOeeHigh(), 1))
		}
		if c.GetKnownShare() < 0.90 {
			add("Less than 90 %% is known: not fit for comparisons, targets or limits.")
		}
	}
	if t.GetOk() && t.GetOutsidePlannedBusyUs() > 0 {
		add("With planned cleaning and maintenance taken out of planned time, OEE is %s.", figures.Percent(t.GetOutsideOee(), 1))
	}
	if e := t.GetRestartEstimateMm(); e != nil {
		if m := func(v float64) string { return figures.Number(v/1000, 0) }; e.GetOk() {
			add("Restart waste after cleans, estimated from the meters and in no sum: %s m (%s to %s) over %s.", m(e.GetValue()), m(e.GetLow()), m(e.GetHigh()), figures.Plural(e.GetN(), "restart", "restarts"))
		} else {
			add("Restart waste after cleans cannot be estimated from the meters: too few restarts (%d).", e.GetN())
		}
	}
	meters := func(mm int64) string { return figures.Grouped(figures.RoundRatio(mm, 1, 1000)) + " m" }
	if n := t.GetDownstreamMm(); n != 0 {
		add("%s were sent on as good and found bad later: they are waste here.", meters(n))
	}
	if n := t.GetClosedByRule(); n != 0 {
		add("%s closed by rule, not by the crew.", figures.Plural(n, "cleaning session was", "cleaning sessions were"))
	}
	if n := t.GetBookedExcessMm(); n != 0 {
		add("%s of waste were booked above what the counters have.", meters(n))
	}
	if n := t.GetNoteSpillMs(); n != 0 {
		add("Reason notes spill %s min over states that they may not cover.", figures.Number(float64(n)/60000, 1))
	}
	if n := t.GetAssumedRateMm(); n != 0 {
		add("%s ran without a rated speed: the press's own was assumed.", meters(n))
	}
	if n := t.GetGoodOutsideProductionMm(); n != 0 {
		add("%s of good length were made outside production: shipped, never in OEE.", meters(n))
	}
	if n := t.GetUnknownReasons(); n != 0 {
		add("%s not in the registry: taken at the state's default.", figures.Plural(n, "reason is", "reasons are"))
	}
	for _, n := range r.GetNotes() {
		out = append(out, sentence(n))
	}
	return out
}

// offers are comparisons that suggest themselves.
func offers(q *query) []compareOffer {
	from, to := q.before()
	out := []compareOffer{{"with the days before, " + daysText(from, to), q.Link("/losses/compare", "bfrom", from.Format(time.DateOnly), "bto", to.Format(time.DateOnly))}}
	if y1, y2 := q.From.AddDate(-1, 0, 0), q.To.AddDate(-1, 0, 0); y2.Before(q.From) {
		out = append(out, compareOffer{"with a year before", q.Link("/losses/compare", "bfrom", y1.Format(time.DateOnly), "bto", y2.Format(time.DateOnly))})
	}
	return append(out, compareOffer{"with another press or plant", q.Link("/losses/compare")})
}
