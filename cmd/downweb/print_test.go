package main

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/tablefile"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares with testdata/NAME and wants lines of at most 100 columns without blanks at their ends.
func golden(t *testing.T, name, got string) {
	t.Helper()
	for n, line := range strings.Split(got, "\n") {
		if utf8.RuneCountInString(line) > width {
			t.Errorf("%s:%d is %d wide: %s", name, n+1, utf8.RuneCountInString(line), line)
		}
		if strings.TrimRight(line, " ") != line {
			t.Errorf("%s:%d ends in blanks", name, n+1)
		}
	}
	file := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs; got\n%s", name, got)
	}
}

func eur(amount string) []*pb.Money { return []*pb.Money{{Currency: "EUR", Amount: amount}} }

func at(text string) *timestamppb.Timestamp {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		panic(err)
	}
	return timestamppb.New(t)
}

// earlyShift is the plain early shift, worked by hand in exact fractions outside this program: planned 450 min,
// losses 159.7 min, 1,086 m, EUR 804.90; OEE 2903/4500. Its instants: minutes × 60,000,000 µs.
func earlyShift() *pb.LossTree {
	leaf := func(slug, name, factor, share string, us, mm int64, money string) *pb.LossLeaf {
		return &pb.LossLeaf{Leaf: slug, Name: name, Factor: factor, Share: share, TimeUs: us, LengthMm: mm, Money: eur(money), OeePoints: 100 * float64(us) / 27e9}
	}
	return &pb.LossTree{
		PlannedBusyUs: 27_000_000_000, ProductionUs: 19_800_000_000, RatedUs: 17_820_000_000, ValuableUs: 17_418_000_000,
		Availability: 330.0 / 450, Effectiveness: 0.9, Quality: 290.3 / 297, Oee: 2903.0 / 4500, LengthYield: 31880.0 / 32616, Ok: true,
		Leaves: []*pb.LossLeaf{
			leaf("planned_cleaning", "planned cleaning", "availability", "cleaning", 1_320_000_000, 0, "66"),
			leaf("cleaning_overrun", "cleaning overrun", "availability", "cleaning", 0, 0, "0"),
			leaf("set_up", "set-up", "availability", "", 4_680_000_000, 0, "234"),
			leaf("other_breakdown", "other breakdown", "availability", "", 720_000_000, 0, "36"),
			leaf("waiting", "waiting", "availability", "", 480_000_000, 0, "24"),
			leaf("other_slow", "other slow running", "effectiveness", "", 1_980_000_000, 0, "99"),
			leaf("set_up_waste", "set-up waste", "quality", "", 20_000_000, 390_000, "118"),
			leaf("splice_waste", "splice waste", "quality", "", 36_000_000, 60_000, "19.8"),
			leaf("material_waste", "material waste", "quality", "", 48_000_000, 96_000, "31.2"),
			leaf("unbooked_waste", "unbooked waste", "quality", "", 298_000_000, 540_000, "176.9"),
		},
		Sum:      &pb.LossLeaf{TimeUs: 9_582_000_000, LengthMm: 1_086_000, Money: eur("804.9"), OeePoints: 35.4889},
		Cleaning: &pb.LossLeaf{TimeUs: 1_320_000_000, Money: eur("66"), OeePoints: 4.8889},
		Dirt:     &pb.LossLeaf{Money: eur("0")},
		Coverage: &pb.Coverage{PlannedMs: 27_000_000, MeasuredMs: 27_000_000, KnownShare: 1},
		OeeLow:   2903.0 / 4500, OeeHigh: 2903.0 / 4500, GoodMm: 31_880_000,
		OutsidePlannedBusyUs: 428 * 60_000_000, OutsideOee: 290.3 / 428, Basis: "press hour", PressDays: 1,
	}
}

func answer(t *pb.LossTree, groups ...*pb.LossTree) *pb.GetLossesResponse {
	return &pb.GetLossesResponse{Total: t, Groups: groups, Period: &pb.Period{FirstDay: "2026-06-15", LastDay: "2026-06-15"}, Zones: []string{"Europe/Berlin"},
		AsOf: &pb.AsOf{Pos: 1234, RegistryRev: 2, RulesVersion: 1, Through: at("2026-06-15T20:00:00Z"), Behind: []*pb.PressLag{{Press: "rhein/p2", Frontier: at("2026-06-15T12:00:00Z")}}}}
}

func TestLossTable(t *testing.T) {
	var b bytes.Buffer
	printLoss(&b, lossPage{resp: answer(earlyShift()), scope: "rhein/p1", dayOf: []string{"the date it starts on"}})
	golden(t, "loss_early_shift.txt", b.String())
	// The shift's own figures, worked by hand outside this program (its points: minutes / 4.5).
	for _, want := range []string{"4.89 OEE points", "22.00 min", "EUR 66.00", "OEE 64.51 %", "OEE 67.83 %", "73.33 %", "90.00 %", "97.74 %", "804.90", "1,086", "159.70", "290.30"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("%q is missing", want)
		}
	}
}

// What cannot be known shows: a range, stated time, notes, a second currency, negative slow running, parts, the
// tree outside planned time, and a rounding line.
func TestLossTableOfADoubtfulFleet(t *testing.T) {
	two := func(e, c string) []*pb.Money {
		return []*pb.Money{{Currency: "CHF", Amount: c}, {Currency: "EUR", Amount: e}}
	}
	const h = 3_600_000_000
	tree := &pb.LossTree{PlannedBusyUs: 1000 * h, ProductionUs: 700 * h, RatedUs: 640 * h, ValuableUs: 600*h + 1, Availability: 0.7, Effectiveness: 640.0 / 700, Quality: 600.0 / 640, Oee: 0.6, LengthYield: 0.94, Ok: true,
		Leaves: []*pb.LossLeaf{
			{Leaf: "planned_cleaning", Name: "planned cleaning", Share: "cleaning", TimeUs: 100*h + 20_000_000, Money: two("1000.005", "200.004")},
			{Leaf: "contamination_stop", Name: "contamination stop", Share: "dirt", TimeUs: 100*h + 20_000_000, Money: two("1000.005", "200.004"), Parts: []*pb.LossLeaf{{Leaf: "cleaning", Name: "cleaning on demand", TimeUs: 33 * h, Money: two("330", "66")}}},
			{Leaf: "unaccounted", Name: "unaccounted", TimeUs: 100*h + 20_000_000, Money: two("1000.005", "200.004")},
			{Leaf: "contamination_slow", Name: "contamination slow", Share: "dirt", TimeUs: -5 * h, Money: two("-50", "0")},
			{Leaf: "other_slow", Name: "other slow running", TimeUs: 65 * h, Money: two("650", "130")},
			{Leaf: "contamination_waste", Name: "contamination waste", Share: "dirt", TimeUs: 40*h - 60_000_001, LengthMm: 123_456_789, Money: two("37441.5", "0")},
		},
		Sum:      &pb.LossLeaf{TimeUs: 400*h - 1, LengthMm: 123_456_789, Money: two("41041.515", "730.012")},
		Cleaning: &pb.LossLeaf{Money: two("1000.005", "200.004")}, Dirt: &pb.LossLeaf{LengthMm: 123_456_789, Money: two("38391.505", "200.004")},
		Outside:  []*pb.LossLeaf{{Leaf: "overrun", Name: "cleaning overrun", TimeUs: 10 * 60_000_000, Money: two("7", "0")}, {Leaf: "extra", Name: "extra running", TimeUs: 5 * h, LengthMm: 4_000_000}},
		Coverage: &pb.Coverage{PlannedMs: 3_600_000_000, MeasuredMs: 3_200_000_000, StatedMs: 30_000_000, UnknownMs: 370_000_000, KnownShare: 0.89722}, OeeLow: 0.6, OeeHigh: 0.6687,
		BookedExcessMm: 20_000, NoteSpillMs: 120_000, AssumedRateMm: 5_000_000, ClosedByRule: 3, GoodOutsideProductionMm: 1_000, UnknownReasons: 1,
	}
	r := answer(tree)
	r.Notes = []string{"2 presses have no rate per hour and are left out of money"}
	r.Zones = []string{"Europe/Berlin", "America/Chicago"}
	var b bytes.Buffer
	printLoss(&b, lossPage{resp: r, scope: "the fleet", dayOf: []string{"the date it starts on (rhein)", "the date it ends on (lakeside)"}})
	golden(t, "loss_doubtful_fleet.txt", b.String())
	b.Reset()
	if err := tablefile.Write(&b, tablefile.CSV, tablefile.FromRows("loss", lossRows(r, ""))); err != nil {
		t.Fatal(err)
	}
	want, err := os.ReadFile("testdata/loss_doubtful_fleet.csv")
	if *update {
		os.WriteFile("testdata/loss_doubtful_fleet.csv", b.Bytes(), 0o644)
	} else if err != nil || b.String() != string(want) {
		t.Errorf("CSV differs (%v); got\n%s", err, b.String())
	}
}

func TestLossTableByPress(t *testing.T) {
	one, two := earlyShift(), earlyShift()
	one.Key, two.Key = "rhein/p1", "rhein/p2"
	// Two halves that were rounded up: the rounding line closes the column.
	for _, g := range []*pb.LossTree{one, two} {
		g.Sum.Money, g.Cleaning.Money = eur("402.46"), eur("33.00")
	}
	two.Ok, two.Coverage = false, &pb.Coverage{}
	var b bytes.Buffer
	printLoss(&b, lossPage{resp: answer(earlyShift(), one, two), scope: "rhein"})
	golden(t, "loss_by_press.txt", b.String())
}

func TestLossTableOfNothing(t *testing.T) {
	var b bytes.Buffer
	printLoss(&b, lossPage{resp: answer(&pb.LossTree{Coverage: &pb.Coverage{}}), scope: "rhein/p1"})
	golden(t, "loss_nothing.txt", b.String())
}

// Every printed column adds up as it stands, whatever the figures.
func TestPrintedColumnsAddUp(t *testing.T) {
	tree := earlyShift()
	for n := range int64(200) { // shift microseconds between leaves; the identity stays
		tree.Leaves[0].TimeUs += 1_234_567 * n
		tree.Leaves[5].TimeUs -= 1_234_567 * n
		tree.Leaves[6].LengthMm += 777 * n
		l := newLadder(tree)
		var time, points, meters int64
		for i := range tree.Leaves {
			time, points, meters = time+l.time[i], points+l.points[i], meters+l.meters[i]
		}
		if time != l.sumTime || points != l.sumPoints || meters != l.sumMeters {
			t.Fatalf("%d: columns %d %d %d, sums %d %d %d", n, time, points, meters, l.sumTime, l.sumPoints, l.sumMeters)
		}
		if l.sumTime+l.valuable != l.planned || l.sumPoints+l.valuablePoints != 10_000 {
			t.Fatalf("%d: the ladder does not close", n)
		}
		for i, leaf := range tree.Leaves { // no figure is further from its value than one unit
			if d := l.time[i]*l.clock.unit - leaf.TimeUs; d >= l.clock.unit || d <= -l.clock.unit {
				t.Fatalf("%d: %s is printed %d µs off", n, leaf.Name, d)
			}
		}
	}
}

func TestRounding(t *testing.T) {
	// Half to even, as IEEE 754 and ISO 80000-1 Annex B.3 rule B describe it (from memory).
	for _, c := range []struct{ v, den, want int64 }{{5, 10, 0}, {15, 10, 2}, {25, 10, 2}, {-5, 10, 0}, {-15, 10, -2}, {26, 10, 3}, {-26, 10, -3}, {24, 10, 2}} {
		if got := roundRatio(c.v, 1, c.den); got != c.want {
			t.Errorf("%d/%d = %d, want %d", c.v, c.den, got, c.want)
		}
	}
	// Largest remainder: 47, 16, 15.8, 12, 6.1, 3.1 thousand votes, 10 seats give 5 2 1 1 1 0 (a textbook
	// example of the Hamilton method, from memory).
	got := apportion([]int64{47000, 16000, 15800, 12000, 6100, 3100}, 10, 100000, 10)
	for i, want := range []int64{5, 2, 1, 1, 1, 0} {
		if got[i] != want {
			t.Errorf("seats %v", got)
			break
		}
	}
	if got := moneyText(printed(amount(eur("2.345"), "EUR"), "EUR"), "EUR"); got != "2.34" {
		t.Errorf("2.345 is printed %s", got)
	}
	if got := moneyText(amount([]*pb.Money{{Currency: "JPY", Amount: "1234.5"}}, "JPY"), "JPY"); got != "1,234" {
		t.Errorf("yen are printed %s (ISO 4217: no minor unit)", got)
	}
}

// Long names and full figures stay inside the page: golden looks at the width.
func TestStationsTableByPress(t *testing.T) {
	var rows []*pb.StationTime
	for _, station := range []string{"anilox", "register-camera-2"} {
		for _, press := range []string{"linden/p1", "maple-north/press-12"} {
			rows = append(rows, &pb.StationTime{Station: station, Key: press, Visits: 12345, MedianMinutes: 45.25, P90Minutes: 60.5, StandardMinutes: 45, OwnExcessMinutes: 60012, SavedMinutes: 6000,
				MeanMinutes: &pb.Estimate{Value: 48.1, Low: 47.9, High: 48.3, N: 12345, Ok: true}, HoursPerMonth: 1000.3, Doubtful: 18, LeftOut: 164})
		}
	}
	var b bytes.Buffer
	printStations(&b, &pb.ListStationTimesResponse{Period: &pb.Period{FirstDay: "2026-01-01", LastDay: "2026-06-28"}, Stations: rows})
	golden(t, "stations_by_press.txt", b.String())
}

func TestStationsTable(t *testing.T) {
	r := &pb.ListStationTimesResponse{Period: &pb.Period{FirstDay: "2026-01-01", LastDay: "2026-06-28"},
		Stations: []*pb.StationTime{
			{Station: "treater", Visits: 1234, MedianMinutes: 7.5, P90Minutes: 12.25, MeanMinutes: &pb.Estimate{Value: 8.1, Low: 7.9, High: 8.3, N: 1234, Ok: true}, StandardMinutes: 8, OwnExcessMinutes: 1200, SavedMinutes: 900, TotalHours: 166.6, HoursPerMonth: 28.3, Doubtful: 3, LeftOut: 40},
			{Station: "web-cleaner", Visits: 4, MedianMinutes: 5, P90Minutes: 6, MeanMinutes: &pb.Estimate{}, TotalHours: 0.3, Small: true},
		},
		Ranks:          []*pb.StationRank{{Station: "treater", HoursPerMonth: 28.3, ByHours: 1, ByExcess: 1, ExcessHoursPerMonth: 3.4}, {Station: "web-cleaner", HoursPerMonth: 0.1, ByHours: 2, ByExcess: 2}},
		Refused:        []string{"web-cleaner on shift night: fewer than 5 badges or 20 sessions in it, in all other shifts together, or in what is left out together"},
		Cautions:       []string{"Read the manual first.", "Not printed here."},
		Reconciliation: &pb.Reconciliation{OwnExcessMinutes: 23, SavedMinutes: 1, OverrunMinutes: 22, ClosingMinutes: 6}}
	var b bytes.Buffer
	printStations(&b, r)
	golden(t, "stations.txt", b.String())
}

func TestSessionsTable(t *testing.T) {
	r := &pb.ListSessionsResponse{Period: &pb.Period{FirstDay: "2026-06-15", LastDay: "2026-06-15"}, Sessions: []*pb.Session{{
		Press: "rhein/p1", Session: "s1", Day: "2026-06-15", Occasion: pb.Occasion_OCCASION_SHUTDOWN, From: at("2026-06-15T19:15:00Z"), To: at("2026-06-15T20:10:00Z"), ClosedByRule: true,
		Zone: "Europe/Berlin", HandedBack: true, ToolsCountedOut: true, Reopened: true,
		AllowanceMs: 33 * 60_000, OverrunMs: 22 * 60_000, ElapsedMs: 55 * 60_000, ClosingMs: 6 * 60_000,
		Visits: []*pb.Visit{{Station: "treater", Task: "treater-clean", From: at("2026-06-15T19:15:00Z"), To: at("2026-06-15T19:27:00Z"), TimeMs: 12 * 60_000, StandardMs: 8 * 60_000}, {Station: "web-cleaner", Task: "tapes", To: at("2026-06-15T19:31:00Z"), TimeMs: 4 * 60_000, Mark: "batch", InterruptionMs: 90_000}}}},
		HandBack: &pb.HandBack{Sessions: 12, NotClosed: 3, Tools: 1, Guards: 2, Isolation: 9}}
	var b bytes.Buffer
	printSessions(&b, r, true, true)
	golden(t, "sessions.txt", b.String())
}

func TestDutiesTableBeginsWithTheCautions(t *testing.T) {
	r := &pb.ListDutiesResponse{Period: &pb.Period{FirstDay: "2026-06-15", LastDay: "2026-06-16"}, Cautions: []string{"Isolate the corona treater and prove it dead by the site's lock-out procedure before opening it.", "The maker's manual, the site's lock-out procedure, local code and trained people come first."},
		Counts:   &pb.DutyCounts{OnTime: 50, Late: 4, Missed: 3, Skipped: 2, NotRequired: 1, Compliance: &pb.Estimate{Value: 0.847, Low: 0.735, High: 0.918, Ok: true}},
		Stations: []*pb.StationDuties{{Station: "treater", Counts: &pb.DutyCounts{OnTime: 50, Late: 4, Missed: 3, Skipped: 2, NotRequired: 1, Compliance: &pb.Estimate{Value: 0.847, Low: 0.735, High: 0.918, Ok: true}}}},
		Duties: []*pb.Duty{{Press: "rhein/p1", Day: "2026-06-15", Task: "treater-electrode-wipe-down", Station: "treater", DueAt: at("2026-06-15T04:30:00Z"), Outcome: pb.DutyOutcome_DUTY_OUTCOME_MISSED, Hazards: []pb.Hazard{pb.Hazard_HAZARD_HIGH_VOLTAGE, pb.Hazard_HAZARD_OZONE}, Isolate: true, ThirdSkip: true},
			{Press: "rhein/p2", Day: "2026-06-15", Task: "web", Station: "web-cleaner", DueAt: at("2026-06-15T04:30:00Z"), DoneAt: at("2026-06-15T04:20:00Z"), Outcome: pb.DutyOutcome_DUTY_OUTCOME_ON_TIME}}}
	var b bytes.Buffer
	printDuties(&b, r, true)
	golden(t, "duties.txt", b.String())
	if !strings.HasPrefix(b.String(), "! Isolate") {
		t.Error("the cautions are not first")
	}
	b.Reset()
	printDuties(&b, &pb.ListDutiesResponse{Period: r.Period, Counts: &pb.DutyCounts{}}, false)
	if !strings.HasPrefix(b.String(), "! The maker's manual, the site's lock-out procedure, local code and trained people") {
		t.Errorf("without cautions of its own:\n%s", b.String())
	}
}

// The words that are kept out of observational texts.
var claims = []string{"cause", "effect of", "due to", "because of", "leads to", "results in", "impact", "prevents", "saves", "pays", "proves", "significant"}

func TestStudyTable(t *testing.T) {
	s := &pb.Study{Id: "0197b1c2-0000-7000-8000-000000000001", Spec: &pb.StudySpec{Title: "spring", Period: &pb.Period{FirstDay: "2025-12-29", LastDay: "2026-06-28"}}, State: pb.StudyState_STUDY_STATE_DONE,
		DataSha256: strings.Repeat("a", 64), ResultSha256: strings.Repeat("b", 64), AsOf: &pb.AsOf{Pos: 99, RegistryRev: 2, RulesVersion: 1},
		Sentences: []string{"Runs that started with web-cleaner not cleaned wasted 41.2 m more (20.1 to 62.0 m, 95 %) than runs of the same press with the same job mix and meters that started clean, over 120 such runs on 12 presses."},
		Findings: []*pb.StationFinding{
			{Station: "web-cleaner", Meters: &pb.Estimate{Value: 41.2, Low: 20.1, High: 62, Ok: true}, RateRatio: &pb.Estimate{Value: 1.31, Low: 1.14, High: 1.5, Ok: true}, P: 0.0003, PAdjusted: 0.0021, Grade: 3, NotCleanedRows: 120, Presses: 12},
			{Station: "sensors", Meters: &pb.Estimate{Value: -2, Low: -12, High: 8.2, Ok: true}, RateRatio: &pb.Estimate{Value: 0.98, Low: 0.9, High: 1.07, Ok: true}, P: 0.6, PAdjusted: 1, Grade: 1, NotCleanedRows: 90, Presses: 11},
			{Station: "uv-1", Meters: &pb.Estimate{}, RateRatio: &pb.Estimate{}, Grade: 0, NotCleanedRows: 4, Presses: 2}},
		DataNotes: []string{"1,500 press-days on 12 presses; 60 left out: 40 without 200 m of production, 20 below 95 % coverage."},
		Cautions:  []string{"Not controlled: operator, material lot, humidity, ink age.", safetyLine}}
	var b bytes.Buffer
	printStudy(&b, s)
	golden(t, "study.txt", b.String())
	for _, word := range claims {
		if strings.Contains(strings.ToLower(b.String()), word) {
			t.Errorf("an observational text says %q", word)
		}
	}
}

func TestStatusTable(t *testing.T) {
	now := time.Date(2026, 6, 29, 0, 0, 0, 0, time.UTC)
	r := &pb.GetStatusResponse{
		Presses: []*pb.PressStatus{{Press: "rhein/p1", Frontier: at("2026-06-28T22:00:00Z"), LagMs: 7_200_000, Events: 123456, Holes: []*pb.Hole{{Epoch: "8f3a60c2d41b7e95", FirstSeq: 7, LastSeq: 9}}, OverlapMs: 90_000, Dead: 2, DirtyFrom: "2026-06-28", DanglingVoids: 1},
			{Press: "rhein/p9", Unknown: true, Events: 5, SpoolDepth: proto.Int64(1200), AgentSeen: at("2026-06-28T23:59:00Z"), HeldBack: 1, Quarantined: []string{"00000000000000ff"},
				Lost: []*pb.LostEvents{{Epoch: "00000000000000fe", FirstSeq: 11, LastSeq: 20, Reason: "a damaged block of the spool", At: at("2026-06-28T23:00:00Z")}}}},
		Roles:  []*pb.RoleStatus{{Role: "api", Version: "v0.1.0", Health: "ok"}, {Role: "ingest", Version: "v0.1.0", Health: "waiting for\nthe warehouse"}},
		Events: 123461, Dead: 2, StreamPending: 3, DirtyPressDays: 1, WarehouseId: "00112233445566aa", WarehouseVersion: "ClickHouse 26.7.2", Checksum: "abc", PressDays: 730, Checksums: map[string]string{"press_days": "1", "duties": "2"}, AsOf: &pb.AsOf{Pos: 88}}
	var b bytes.Buffer
	printStatus(&b, r, []childState{{Name: "engine", State: "ready", PID: 4711, Since: now.Add(-3 * time.Hour)}, {Name: "ingest", State: "waiting", Since: now.Add(-5 * time.Second), Restarts: 2, Last: "signal: killed"}}, now)
	golden(t, "status.txt", b.String())
}

func TestTrendTable(t *testing.T) {
	r := &pb.ListStationTrendResponse{Period: &pb.Period{FirstDay: "2026-01-01", LastDay: "2026-06-28"}, Zones: []string{"Europe/Berlin"}, Cautions: []string{"Read the manual first."}, Notes: []string{"How it was made."},
		Stations: []*pb.StationTrend{{Station: "uv-1", Limits: &pb.XmrLimits{Ok: true, Center: 10.2, Low: 8.1, High: 12.3, N: 8}, Visits: []int64{12, 3, 14},
			Points: []*pb.SeriesPoint{{Key: "2026-W01", Value: 10.25}, {Key: "2026-W02", Value: 4, LeftOut: true}, {Key: "2026-W03", Value: 14.5, Signals: []string{"beyond the limits"}}}},
			{Station: "uv-2", Limits: &pb.XmrLimits{N: 1}, Visits: []int64{9}, Points: []*pb.SeriesPoint{{Key: "2026-W01", Value: 9}}}}}
	var b bytes.Buffer
	printTrend(&b, r)
	golden(t, "trend.txt", b.String())
}

func TestProposalsTable(t *testing.T) {
	r := &pb.ListStandardProposalsResponse{Period: &pb.Period{FirstDay: "2026-01-01", LastDay: "2026-06-28"}, Cautions: []string{"Read the manual first.", "A proposal is only the middle."},
		Proposals: []*pb.StandardProposal{
			{Plant: "rhein", Kind: "flexo-8", Task: "uv-1-reflectors", Station: "uv-1", StandardMinutes: 10, ProposalMinutes: &pb.Estimate{Ok: true, Value: 10.4, Low: 10.1, High: 10.9, N: 640}, LeftOut: 41},
			{Plant: "rhein", Kind: "flexo-8", Task: "isolate", Station: "press", StandardMinutes: 3, ProposalMinutes: &pb.Estimate{}, Refused: "marked safety: isolation and restoring are never proposed from observed times"},
			{Plant: "rhein", Kind: "flexo-8", Task: "anilox", Station: "anilox", StandardMinutes: 9, ProposalMinutes: &pb.Estimate{N: 4}, Refused: "4 visits can be used, at least 20 are needed"}}}
	var b bytes.Buffer
	printProposals(&b, r)
	golden(t, "proposals.txt", b.String())
}

func TestReliabilityTable(t *testing.T) {
	r := &pb.ListReliabilityResponse{Period: &pb.Period{FirstDay: "2026-01-01", LastDay: "2026-06-28"}, Cautions: []string{"Read the manual first."}, Notes: []string{"Formulae."},
		Rows: []*pb.Reliability{{Press: "rhein/p1", Failures: 21, DirtFailures: 6, RunHours: 1210.5, MtbfHours: &pb.Estimate{Ok: true, Value: 57.6, Low: 40.2, High: 86.1}, MttrMinutes: &pb.Estimate{Ok: true, Value: 14.2, Low: 10, High: 21.4}},
			{Press: "rhein/p1", Station: "uv-1", RunHours: 1210.5, MtbfHours: &pb.Estimate{}, MttrMinutes: &pb.Estimate{}}}}
	var b bytes.Buffer
	printReliability(&b, r)
	golden(t, "reliability.txt", b.String())
}

func TestOpenSessionsTable(t *testing.T) {
	r := &pb.WatchSessionsResponse{Cautions: []string{"Read the manual first.", "This shows the work of a few people."}, Sessions: []*pb.OpenSession{
		{Press: "rhein/p1", Session: "s1", Occasion: pb.Occasion_OCCASION_SHUTDOWN, From: at("2026-06-15T19:15:00Z"), Known: at("2026-06-15T19:31:00Z"), ExpectedEnd: at("2026-06-15T20:01:00Z"), Zone: "Europe/Berlin", Method: "from the last sign-off: 1 left, 1 by the median",
			Done: []*pb.Visit{{Station: "treater", Task: "treater", To: at("2026-06-15T19:27:00Z"), TimeMs: 12 * 60_000, StandardMs: 8 * 60_000}}, Left: []*pb.OpenTask{{Task: "uv-1", Station: "uv-1", ExpectedMs: 10 * 60_000, FromVisits: true}}},
		{Press: "rhein/p2", Session: "s2", Occasion: pb.Occasion_OCCASION_ON_DEMAND, From: at("2026-06-15T19:00:00Z"), Zone: "Europe/Berlin", Ended: true}}}
	var b bytes.Buffer
	printOpenSessions(&b, r, true)
	golden(t, "open-sessions.txt", b.String())
}

func TestEventsCSVNamesNobody(t *testing.T) {
	e := &pb.Event{Plant: "rhein", Press: "p1", Epoch: 1, Seq: 1, Body: &pb.Event_StationSignedOff{StationSignedOff: &pb.StationSignedOff{Station: "uv-1", Crew: "0123456789", Note: "ask the new colleague"}}}
	var b bytes.Buffer
	if err := (&eventWriter{w: &b, format: "csv"}).write([]*pb.StoredEvent{{Id: "rhein/p1/0000000000000001/1", Event: e}}); err != nil {
		t.Fatal(err)
	}
	if got := b.String(); !strings.Contains(got, "uv-1") || strings.Contains(got, "0123456789") || strings.Contains(got, "colleague") {
		t.Errorf("exported: %s", got)
	}
	if e.GetStationSignedOff().GetCrew() == "" {
		t.Error("the event itself was changed")
	}
}
