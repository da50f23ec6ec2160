package projector

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/downweb/downweb/analytics/loss"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

var update = flag.Bool("update", false, "write the scenario files anew")

const scenario = "../../testdata/scenarios/worked-shifts"

// script writes the events of one press as the agent's input would hold them.
type script struct {
	press string
	evs   []*pb.Event
}

func at(s string) *timestamppb.Timestamp {
	t, err := time.Parse("2006-01-02 15:04", "2026-"+s)
	if err != nil {
		panic(err)
	}
	return timestamppb.New(t)
}

func (s *script) add(when *timestamppb.Timestamp, key string, e *pb.Event) {
	e.Plant, e.Press, e.OccurredAt, e.SourceKey = "rhein", s.press, when, key
	e.RecordedAt = when
	s.evs = append(s.evs, e)
}

// run cuts [from, to) into minutes and spreads meters by largest remainder.
func (s *script) run(from, to string, state pb.State, reason, job string, rated, good, waste int64) {
	a, b := at(from).AsTime(), at(to).AsTime()
	n := int(b.Sub(a) / time.Minute)
	ones := make([]int64, n)
	for i := range ones {
		ones[i] = 1
	}
	g, w := loss.Apportion(good*1000, ones), loss.Apportion(waste*1000, ones)
	for i := range n {
		f := timestamppb.New(a.Add(time.Duration(i) * time.Minute))
		sl := &pb.Slice{From: f, To: timestamppb.New(a.Add(time.Duration(i+1) * time.Minute)),
			State: state, Reason: reason, Job: job, GoodMm: g[i], WasteMm: w[i]}
		if rated > 0 {
			r := rated * 1000
			sl.RatedMmPerMin = &r
		}
		s.add(f, "", &pb.Event{Body: &pb.Event_Slice{Slice: sl}})
		s.evs[len(s.evs)-1].RecordedAt = sl.To
	}
}

func (s *script) open(when, id string, o pb.Occasion) {
	s.add(at(when), "o"+id, &pb.Event{Body: &pb.Event_CleaningOpened{CleaningOpened: &pb.CleaningOpened{Session: id, Occasion: o, Crew: "c"}}})
}

func (s *script) close(when, id string) {
	s.add(at(when), "c"+id, &pb.Event{Body: &pb.Event_CleaningClosed{CleaningClosed: &pb.CleaningClosed{Session: id, Crew: "c",
		ToolsCountedOut: true, GuardsRestored: true, IsolationRemoved: true}}})
}

func (s *script) sign(when, id, station string) {
	s.add(at(when), "s"+id+station, &pb.Event{Body: &pb.Event_StationSignedOff{StationSignedOff: &pb.StationSignedOff{Session: id, Task: station,
		Station: station, Outcome: pb.Outcome_OUTCOME_CLEANED, Crew: "c"}}})
}

func (s *script) book(when, key, from, to string, cause pb.WasteCause, m int64, station string) {
	s.add(at(when), key, &pb.Event{Body: &pb.Event_WasteBooked{WasteBooked: &pb.WasteBooked{From: at(from), To: at(to), LengthMm: m * 1000, Cause: cause, Station: station}}})
}

func (s *script) note(when, key, from, to string, kind pb.NoteKind, reason, station string) {
	s.add(at(when), key, &pb.Event{Body: &pb.Event_ReasonNoted{ReasonNoted: &pb.ReasonNoted{From: at(from), To: at(to), Kind: kind, Reason: reason, Station: station}}})
}

func (s *script) void(when, target, why string) {
	s.add(at(when), "v"+target, &pb.Event{Body: &pb.Event_Voided{Voided: &pb.Voided{TargetSourceKey: target, Why: why}}})
}

const (
	stProd  = pb.State_STATE_PRODUCTION
	stSetup = pb.State_STATE_SETUP
	stClean = pb.State_STATE_CLEANING
	stDown  = pb.State_STATE_DOWN
	stWait  = pb.State_STATE_WAITING
	stOff   = pb.State_STATE_OFF
)

func earlyShift() *script {
	s := &script{press: "p1"}
	s.run("06-15 04:00", "06-15 04:22", stClean, "", "", 0, 0, 0)
	s.open("06-15 04:00", "a", pb.Occasion_OCCASION_STARTUP)
	s.sign("06-15 04:07", "a", "treater")
	s.sign("06-15 04:13", "a", "web-path")
	s.sign("06-15 04:18", "a", "sensors")
	s.sign("06-15 04:22", "a", "static-bar")
	s.close("06-15 04:22", "a")
	s.run("06-15 04:22", "06-15 05:00", stSetup, "", "J1", 100, 0, 190)
	s.run("06-15 05:00", "06-15 07:30", stProd, "", "J1", 100, 13200, 300)
	s.run("06-15 07:30", "06-15 07:42", stDown, "mechanical", "", 0, 0, 0)
	s.run("06-15 07:42", "06-15 08:00", stProd, "", "J1", 100, 1580, 40)
	s.run("06-15 08:00", "06-15 08:30", stOff, "", "", 0, 0, 0)
	s.run("06-15 08:30", "06-15 09:10", stSetup, "", "J2", 120, 0, 160)
	s.run("06-15 09:10", "06-15 09:20", stProd, "", "J2", 120, 1020, 60)
	s.run("06-15 09:20", "06-15 11:30", stProd, "", "J2", 120, 13740, 300)
	s.run("06-15 11:30", "06-15 11:38", stWait, "material", "", 0, 0, 0)
	s.run("06-15 11:38", "06-15 12:00", stProd, "", "J2", 120, 2340, 36)
	s.book("06-15 12:00", "b1", "06-15 05:00", "06-15 07:30", pb.WasteCause_WASTE_CAUSE_SPLICE, 60, "")
	s.book("06-15 12:00", "b2", "06-15 08:30", "06-15 09:20", pb.WasteCause_WASTE_CAUSE_SETUP, 200, "")
	s.book("06-15 12:00", "b3", "06-15 09:20", "06-15 11:30", pb.WasteCause_WASTE_CAUSE_MATERIAL, 96, "")
	return s
}

// lateShift is the late shift; with tuesday, also what came the day after.
func lateShift(tuesday bool) *script {
	s := &script{press: "p2"}
	s.run("06-15 12:00", "06-15 14:10", stProd, "", "J3", 80, 9100, 260)
	s.run("06-15 14:10", "06-15 14:45", stDown, "", "", 0, 0, 0)
	s.run("06-15 14:45", "06-15 15:00", stProd, "", "J3", 80, 810, 90)
	s.note("06-15 14:58", "n1", "06-15 14:45", "06-15 15:00", pb.NoteKind_NOTE_KIND_SLOW, "dirty", "uv-1")
	s.run("06-15 15:00", "06-15 16:00", stProd, "", "J3", 80, 4740, 60)
	s.run("06-15 16:00", "06-15 16:30", stOff, "", "", 0, 0, 0)
	s.run("06-15 17:00", "06-15 17:10", stWait, "", "", 0, 0, 0)
	s.run("06-15 17:10", "06-15 19:15", stProd, "", "J3", 80, 8800, 200)
	s.open("06-15 19:15", "b", pb.Occasion_OCCASION_SHUTDOWN)
	s.run("06-15 19:15", "06-15 20:10", stClean, "", "", 0, 0, 0)
	s.sign("06-15 19:27", "b", "treater")
	s.sign("06-15 19:31", "b", "web-cleaner")
	s.sign("06-15 19:51", "b", "uv-1")
	s.sign("06-15 19:58", "b", "static-bar")
	s.sign("06-15 20:04", "b", "uv-2")
	s.close("06-15 20:10", "b")
	s.run("06-15 20:10", "06-16 04:00", stOff, "", "", 0, 0, 0)
	s.book("06-15 20:15", "w1", "06-15 14:45", "06-15 15:00", pb.WasteCause_WASTE_CAUSE_CONTAMINATION, 70, "uv-1")
	s.book("06-15 20:15", "w2", "06-15 14:45", "06-15 15:00", pb.WasteCause_WASTE_CAUSE_CONTAMINATION, 70, "uv-1")
	s.book("06-15 20:15", "w3", "06-15 15:00", "06-15 16:00", pb.WasteCause_WASTE_CAUSE_OTHER, 50, "")
	s.book("06-15 20:15", "w4", "06-15 15:00", "06-15 16:00", pb.WasteCause_WASTE_CAUSE_SPLICE, 30, "")
	if tuesday {
		s.note("06-16 07:15", "n2", "06-15 14:08", "06-15 14:40", pb.NoteKind_NOTE_KIND_STOP, "dirty", "uv-1")
		s.void("06-16 07:20", "w2", "booked twice")
		s.void("06-16 07:21", "sbstatic-bar", "not done")
		s.add(at("06-16 07:21"), "k1", &pb.Event{Body: &pb.Event_StationSkipped{StationSkipped: &pb.StationSkipped{Session: "b", Task: "static-bar", Station: "static-bar", Reason: "no-access", Crew: "c"}}})
	}
	return s
}

func springNight() *script {
	s := &script{press: "p3"}
	s.run("03-28 21:00", "03-28 21:30", stSetup, "", "J4", 100, 0, 120)
	s.run("03-28 21:30", "03-29 01:00", stProd, "", "J4", 100, 19530, 420)
	s.run("03-29 01:00", "03-29 01:10", stDown, "dirty", "", 0, 0, 0)
	s.open("03-29 01:10", "d", pb.Occasion_OCCASION_ON_DEMAND)
	s.run("03-29 01:10", "03-29 02:15", stClean, "", "", 0, 0, 0)
	s.sign("03-29 01:22", "d", "print-heads")
	s.sign("03-29 02:12", "d", "web-cleaner")
	s.close("03-29 02:15", "d")
	s.run("03-29 02:15", "03-29 02:30", stProd, "", "J4", 100, 1080, 120)
	s.run("03-29 02:30", "03-29 03:50", stProd, "", "J4", 100, 7920, 80)
	s.run("03-29 03:50", "03-29 04:00", stWait, "", "", 0, 0, 0)
	s.book("03-29 04:00", "b1", "03-29 02:15", "03-29 02:30", pb.WasteCause_WASTE_CAUSE_RESTART, 90, "")
	return s
}

// The scenario files hold the scripts, line by line.
func TestWorkedScenarioFiles(t *testing.T) {
	for _, s := range []*script{earlyShift(), lateShift(true), springNight()} {
		var want bytes.Buffer
		for _, e := range s.evs {
			line, err := protojson.Marshal(e)
			if err != nil {
				t.Fatal(err)
			}
			var compact bytes.Buffer
			if err := compactJSON(&compact, line); err != nil {
				t.Fatal(err)
			}
			want.Write(compact.Bytes())
			want.WriteByte('\n')
		}
		name := filepath.Join(scenario, s.press+".ndjson")
		if *update {
			if err := os.WriteFile(name, want.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want.Bytes()) {
			t.Errorf("%s differs from the script", name)
		}
	}
}

// identify gives the events an identity as an agent would, and fills in what a
// void takes back.
func identify(evs []*pb.Event, epoch uint64) []*pb.Event {
	byKey := map[string]*pb.Event{}
	for i, e := range evs {
		e.Epoch, e.Seq = epoch, uint64(i+1)
		if e.SourceKey != "" {
			byKey[e.SourceKey] = e
		}
		if v := e.GetVoided(); v != nil {
			t := byKey[v.TargetSourceKey]
			if t == nil {
				panic(fmt.Sprintf("void of unknown %q", v.TargetSourceKey))
			}
			v.Epoch, v.FirstSeq, v.LastSeq, v.Earliest = t.Epoch, t.Seq, t.Seq, t.OccurredAt
			if b := t.GetWasteBooked(); b != nil {
				v.Earliest = b.From
			}
		}
	}
	return evs
}
