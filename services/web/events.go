package web

import (
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/web/figures"
)

func stampOf(t time.Time) *timestamppb.Timestamp { return timestamppb.New(t) }

// enumName is an enum value for people, without its type's prefix.
func enumName(name, prefix string) string {
	word := strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(name, prefix), "_", " "))
	if word == "unspecified" {
		return ""
	}
	return word
}

// eventWords are an event as a row. Crews and free notes are for the plant's own engineer: they are not shown here.
func eventWords(x *pb.StoredEvent, zone *time.Location) eventRow {
	e := x.GetEvent()
	row := eventRow{At: e.GetOccurredAt().AsTime().In(zone).Format("15:04:05"), ID: x.GetId(), Voided: x.GetVoided()}
	stretch := func(from, to *timestamppb.Timestamp) string {
		return between(from.AsTime().In(zone), to.AsTime().In(zone))
	}
	meters := func(mm int64) string { return figures.Number(float64(mm)/1000, 1) }
	say := func(kind string, words ...string) {
		row.Kind = kind
		var said []string
		for _, w := range words {
			if w != "" {
				said = append(said, w)
			}
		}
		row.What = strings.Join(said, ", ")
	}
	with := func(word, value string) string {
		if value == "" {
			return ""
		}
		return word + " " + value
	}
	switch b := e.GetBody().(type) {
	case *pb.Event_Slice:
		v := b.Slice
		say("slice", stateName(v.GetState()), v.GetReason(), v.GetStation(), with("job", v.GetJob()))
		row.Minutes = figures.Fixed(figures.RoundRatio(v.GetTo().AsTime().Sub(v.GetFrom().AsTime()).Milliseconds(), 1, 600), 2)
		row.Good, row.Waste = meters(v.GetGoodMm()), meters(v.GetWasteMm())
	case *pb.Event_CleaningOpened:
		say("clean begun", occasionName(b.CleaningOpened.GetOccasion()), with("session", b.CleaningOpened.GetSession()))
	case *pb.Event_CleaningClosed:
		say("handed back", with("session", b.CleaningClosed.GetSession()))
	case *pb.Event_StationSignedOff:
		v := b.StationSignedOff
		say("signed off", v.GetStation(), v.GetTask(), enumName(v.GetOutcome().String(), "OUTCOME_"))
	case *pb.Event_StationSkipped:
		v := b.StationSkipped
		say("left out", v.GetStation(), v.GetTask(), v.GetReason())
	case *pb.Event_ReasonNoted:
		v := b.ReasonNoted
		say("reason noted", stretch(v.GetFrom(), v.GetTo()), enumName(v.GetKind().String(), "NOTE_KIND_"), v.GetReason(), v.GetStation())
	case *pb.Event_DefectSeen:
		v := b.DefectSeen
		say("defect seen", enumName(v.GetKind().String(), "DEFECT_KIND_"), v.GetStation(), meters(v.GetLengthMm())+" m")
	case *pb.Event_WasteBooked:
		v := b.WasteBooked
		say("waste booked", stretch(v.GetFrom(), v.GetTo()), enumName(v.GetCause().String(), "WASTE_CAUSE_"), v.GetStation(), with("job", v.GetJob()))
		row.Waste = meters(v.GetLengthMm())
	case *pb.Event_JobStarted:
		say("job begun", b.JobStarted.GetJob(), b.JobStarted.GetFamily(), b.JobStarted.GetSubstrate())
	case *pb.Event_JobEnded:
		say("job ended", b.JobEnded.GetJob())
	case *pb.Event_JobCorrected:
		say("job corrected", b.JobCorrected.GetJob(), b.JobCorrected.GetFamily())
	case *pb.Event_Voided:
		say("taken back", "earlier events")
	case *pb.Event_PeriodClosed:
		say("period signed", b.PeriodClosed.GetFirstDay()+" to "+b.PeriodClosed.GetLastDay())
	case *pb.Event_ClockStepped:
		say("clock stepped")
	default:
		say("of a kind this program does not know")
	}
	return row
}
