package api

import (
	"context"
	"time"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// Reader is what the api needs of the warehouse.
type Reader interface {
	// Projections.
	LossSums(ctx context.Context, byDay bool, presses []string, from, to timeline.Day) ([]timeline.LossSum, error)
	FactSums(ctx context.Context, by string, presses []string, from, to timeline.Day) ([]timeline.FactSum, error)
	PressDays(ctx context.Context, presses []string, from, to timeline.Day) ([]timeline.PressDay, error)
	Visits(ctx context.Context, presses []string, from, to timeline.Day) ([]timeline.StationVisit, error)
	// CrewsElsewhere are the times in which crews with sessions on the presses
	// had a session open on another press of the plant.
	CrewsElsewhere(ctx context.Context, presses []string, from, to timeline.Day) ([]CrewElsewhere, error)
	// HandBacks counts sessions and what was not stated when they ended.
	HandBacks(ctx context.Context, presses []string, from, to timeline.Day) (HandBacks, error)
	Duties(ctx context.Context, presses []string, from, to timeline.Day) ([]timeline.DutyRow, error)
	DutyReader
	// DutyCounts counts duties by station and outcome.
	DutyCounts(ctx context.Context, presses []string, from, to timeline.Day) ([]DutyCount, error)
	// Hazards are the numbers of all hazards of the duties, and whether any
	// needs isolation.
	Hazards(ctx context.Context, presses []string, from, to timeline.Day) (hazards []uint8, isolate bool, err error)
	Frontiers(ctx context.Context) (map[string]int64, error)
	Checksums(ctx context.Context) (map[string]string, error)
	// Unbalanced counts press-days, and those whose leaves do not add up.
	Unbalanced(ctx context.Context) (days, unbalanced int64, err error)

	// The log.
	MaxPos(ctx context.Context) (uint64, error)
	ListEvents(ctx context.Context, q EventQuery) ([]*pb.StoredEvent, *EventKey, error)
	EventsAfter(ctx context.Context, after, upTo uint64, limit int) (evs []*pb.StoredEvent, next uint64, err error)
	GetEvent(ctx context.Context, plant, press string, id timeline.ID) (*pb.StoredEvent, error)
	PressLogs(ctx context.Context) (map[string]PressLog, error)
	// DirtyFrom is the earliest instant (unix ms) waiting to be projected, by
	// "plant/press"; presses with nothing waiting are not in it.
	DirtyFrom(ctx context.Context) (map[string]int64, error)
	// EpochEvents lists the events of one epoch of a press by seq, at most
	// limit.
	EpochEvents(ctx context.Context, plant, press string, epoch uint64, limit int) ([]*pb.StoredEvent, error)
	// Stored says which of the events, all of one press and epoch, are in the
	// log, by seq.
	Stored(ctx context.Context, evs []*pb.Event) (map[uint64]bool, error)
	// Dead is how many dead letters wait, and how many were redriven.
	Dead(ctx context.Context) (waiting, redriven uint64, err error)
	// ListDead lists dead letters without payloads, newest first; next is nil
	// where there are no more.
	ListDead(ctx context.Context, q DeadQuery) (list []DeadLetter, next *DeadKey, err error)
	// GetDead is one letter whole; hash is how its own begins.
	GetDead(ctx context.Context, plant, press string, epoch, seq uint64, hash string) (DeadLetter, error)
	Registry(ctx context.Context, upTo uint64) ([]*pb.RegistryRevision, error)
	// FoldAsOf folds a press from the log as it was at an insert number; 0 is
	// an empty log.
	FoldAsOf(ctx context.Context, press *timeline.Press, pos uint64) (timeline.Projections, error)

	// Studies.
	PutStudy(ctx context.Context, s StudyRecord) error
	GetStudy(ctx context.Context, id string) (StudyRecord, error)
	ListStudies(ctx context.Context, before string, limit int) ([]StudyRecord, error)
	// UnfinishedStudies are the queued and running ones, oldest first.
	UnfinishedStudies(ctx context.Context) ([]StudyRecord, error)
	PutData(ctx context.Context, data []byte) (sha256 string, err error)
	GetData(ctx context.Context, sha256 string) ([]byte, error)

	WarehouseID() uint64
	ServerVersion() string
}

// Writer records events by hand. It returns once they are stored.
type Writer interface {
	// Check says what is wrong with an event before it is recorded; nil:
	// nothing.
	Check(e *pb.Event) []Violation
	// Pseudonym stands for a crew's badge in the log, which never holds the
	// badge itself.
	Pseudonym(plant string, at time.Time, badge string) (string, error)
	// Record publishes one frame of events of one press and waits until the
	// mark of the press covers it.
	Record(ctx context.Context, evs []*pb.Event) error
}

// Violation names one field of an event, by its path, and what is wrong.
type Violation struct{ Field, Reason string }

// CrewElsewhere is when a crew at work on a press had a session open on another.
type CrewElsewhere struct {
	Press string // "plant/press"
	Crew  string // pseudonym
	timeline.Interval
}

// HandBacks counts sessions and what was not stated when they ended.
type HandBacks struct{ Sessions, NotClosed, Tools, Guards, Isolation int64 }

// DutyCount is how many duties of a station had an outcome.
type DutyCount struct {
	Station string
	Outcome uint8
	N       int64
}

// EventKey is where a list of events has got to.
type EventKey struct {
	OccurredAt   int64 // unix ms
	Plant, Press string
	Kind         uint8
	Epoch, Seq   uint64
}

// EventQuery asks for events; zero values ask for all.
type EventQuery struct {
	Plants, Presses []string
	Kinds           []timeline.Kind
	From, To        int64 // unix ms
	MaxPos          uint64
	After           *EventKey
	Limit           int
}

// PressLog is what the log holds of one press.
type PressLog struct {
	Events     int64
	FirstEvent int64 // unix ms
	LastEvent  int64 // unix ms
	OverlapMS  int64
	OverlapMM  int64
	Dead       int64
	Dangling   int64 // voids of which nothing is stored that they take back
	Holes      []*pb.Hole
	Lost       []*pb.LostEvents
	// Quarantined are epochs, 16 hex digits, that two disks carry.
	Quarantined []string
}

// StudyRecord is a kept study: Body is a Study message.
type StudyRecord struct {
	ID        string
	Version   uint64
	CreatedMS int64
	State     pb.StudyState
	Title     string
	Body      []byte
}
