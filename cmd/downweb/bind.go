package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"github.com/downweb/downweb/analytics/timeline"
	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/api"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/projector"
	"github.com/downweb/downweb/services/registry"
	"github.com/downweb/downweb/services/warehouse"
)

func init() { api.RulesVersion = projector.RulesVersion }

// apiDeps binds the api to the warehouse and the event log. roles may be nil: then no roles are shown.
func apiDeps(db *warehouse.DB, nc *nats.Conn, js jetstream.JetStream, badges *eventlog.Badges, roles func() []*pb.RoleStatus) api.Deps {
	return api.Deps{
		Reader:   apiReader{db},
		Registry: registry.New(registryLog{registry.StreamLog{JS: js}}),
		Writer:   &apiWriter{nc: nc, js: js, badges: badges},
		Roles:    roles,
		Stored: func(f func(pos uint64)) (func(), error) {
			sub, err := eventlog.SubscribeStored(nc, f)
			if err != nil {
				return nil, err
			}
			return func() { _ = sub.Unsubscribe() }, nil
		},
		Pending: func(ctx context.Context) (int64, error) { return pending(ctx, js, db.WarehouseID()) },
		Ingest:  func(ctx context.Context) (*pb.IngestStatus, error) { return askIngest(ctx, nc) },
		Redrive: func(ctx context.Context, l api.DeadLetter) (string, error) { return redrive(ctx, js, l) },
		States: func(ctx context.Context, presses []string, from int64) (map[string]api.PressState, error) {
			return pressStates(ctx, db, presses, from)
		},
		Explainer: explainer{db},
		Changes:   changes{db},

		AroundStudy: forStudy,
	}
}

// pending is how many messages of the stream ingest has not confirmed.
func pending(ctx context.Context, js jetstream.JetStream, warehouseID uint64) (int64, error) {
	cons, err := js.Consumer(ctx, eventlog.StreamPress, fmt.Sprintf("ingest-%016x", warehouseID))
	if errors.Is(err, jetstream.ErrConsumerNotFound) { // no ingest has ever run: all of it
		s, err := js.Stream(ctx, eventlog.StreamPress)
		if err != nil {
			return 0, fmt.Errorf("what waits in the stream: %w", err)
		}
		return int64(s.CachedInfo().State.Msgs), nil
	}
	if err != nil {
		return 0, fmt.Errorf("what waits in the stream: %w", err)
	}
	i := cons.CachedInfo()
	return int64(i.NumPending) + int64(i.NumAckPending), nil
}

// reached says an error as the api knows it: a hop that is down, a thing that is not kept.
func reached(err error) error {
	switch {
	case err == nil, errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return err
	case errors.Is(err, warehouse.ErrNotFound):
		return fmt.Errorf("%w: %w", api.ErrNotFound, err)
	case down(err), errors.Is(err, clickhouse.ErrAcquireConnTimeout),
		errors.Is(err, nats.ErrNoResponders), errors.Is(err, nats.ErrTimeout), errors.Is(err, nats.ErrConnectionClosed), errors.Is(err, nats.ErrDisconnected),
		errors.Is(err, nats.ErrConnectionReconnecting), errors.Is(err, jetstream.ErrNoStreamResponse), errors.Is(err, jetstream.ErrStreamNotFound):
		return fmt.Errorf("%w: %w", api.ErrUnavailable, err)
	}
	return err
}

func reachedWith[T any](v T, err error) (T, error) { return v, reached(err) }

// registryLog is the registry's stream with errors as the api knows them.
type registryLog struct{ registry.StreamLog }

func (l registryLog) Append(ctx context.Context, r *pb.RegistryRevision) error {
	return reached(l.StreamLog.Append(ctx, r))
}

func (l registryLog) Read(ctx context.Context, after uint64) ([]*pb.RegistryRevision, error) {
	return reachedWith(l.StreamLog.Read(ctx, after))
}

// apiReader is the warehouse as the api's Reader.
type apiReader struct{ db *warehouse.DB }

func (r apiReader) LossSums(ctx context.Context, byDay bool, presses []string, from, to timeline.Day) ([]timeline.LossSum, error) {
	by := warehouse.ByPress
	if byDay {
		by = warehouse.ByDay
	}
	return reachedWith(r.db.LossSums(ctx, by, presses, from, to))
}

func (r apiReader) FactSums(ctx context.Context, by string, presses []string, from, to timeline.Day) ([]timeline.FactSum, error) {
	return reachedWith(r.db.FactSums(ctx, warehouse.FactGroup(by), presses, from, to))
}

func (r apiReader) PressDays(ctx context.Context, presses []string, from, to timeline.Day) ([]timeline.PressDay, error) {
	return reachedWith(r.db.PressDays(ctx, presses, from, to))
}

func (r apiReader) Visits(ctx context.Context, presses []string, from, to timeline.Day) ([]timeline.StationVisit, error) {
	return reachedWith(r.db.Visits(ctx, presses, from, to))
}

func (r apiReader) CrewsElsewhere(ctx context.Context, presses []string, from, to timeline.Day) ([]api.CrewElsewhere, error) {
	list, err := r.db.CrewsElsewhere(ctx, presses, from, to)
	out := make([]api.CrewElsewhere, len(list))
	for i, c := range list {
		out[i] = api.CrewElsewhere(c)
	}
	return out, reached(err)
}

func (r apiReader) HandBacks(ctx context.Context, presses []string, from, to timeline.Day) (api.HandBacks, error) {
	h, err := r.db.HandBacks(ctx, presses, from, to)
	return api.HandBacks(h), reached(err)
}

func (r apiReader) Duties(ctx context.Context, presses []string, from, to timeline.Day) ([]timeline.DutyRow, error) {
	return reachedWith(r.db.Duties(ctx, presses, from, to))
}

func (r apiReader) DutyCounts(ctx context.Context, presses []string, from, to timeline.Day) ([]api.DutyCount, error) {
	list, err := r.db.DutyCounts(ctx, presses, from, to)
	out := make([]api.DutyCount, len(list))
	for i, c := range list {
		out[i] = api.DutyCount(c)
	}
	return out, reached(err)
}

func (r apiReader) Hazards(ctx context.Context, presses []string, from, to timeline.Day) ([]uint8, bool, error) {
	h, isolate, err := r.db.DutyHazards(ctx, presses, from, to)
	return h, isolate, reached(err)
}

func (r apiReader) Frontiers(ctx context.Context) (map[string]int64, error) {
	return reachedWith(r.db.Frontiers(ctx))
}

func (r apiReader) Unbalanced(ctx context.Context) (days, unbalanced int64, err error) {
	days, unbalanced, err = r.db.Unbalanced(ctx)
	return days, unbalanced, reached(err)
}

func (r apiReader) Checksums(ctx context.Context) (map[string]string, error) {
	return reachedWith(r.db.Checksums(ctx))
}

func (r apiReader) MaxPos(ctx context.Context) (uint64, error) {
	return reachedWith(r.db.StoredPos(ctx))
}

func (r apiReader) ListEvents(ctx context.Context, q api.EventQuery) ([]*pb.StoredEvent, *api.EventKey, error) {
	w := warehouse.ListQuery{Plants: q.Plants, Presses: q.Presses, Kinds: q.Kinds, From: q.From, To: q.To, MaxPos: q.MaxPos, After: (*warehouse.ListKey)(q.After), Limit: q.Limit}
	evs, last, err := r.db.ListEvents(ctx, w)
	return evs, (*api.EventKey)(last), reached(err)
}

func (r apiReader) EventsAfter(ctx context.Context, after, upTo uint64, limit int) ([]*pb.StoredEvent, uint64, error) {
	evs, next, err := r.db.EventsAfterPos(ctx, after, upTo, limit)
	return evs, next, reached(err)
}

func (r apiReader) GetEvent(ctx context.Context, plant, press string, id timeline.ID) (*pb.StoredEvent, error) {
	return reachedWith(r.db.GetEvent(ctx, plant, press, id))
}

func (r apiReader) PressLogs(ctx context.Context) (map[string]api.PressLog, error) {
	logs, err := r.db.PressLogs(ctx)
	if err != nil {
		return nil, reached(err)
	}
	h, err := r.db.LogHealth(ctx)
	if err != nil {
		return nil, reached(err)
	}
	out := map[string]api.PressLog{}
	for id := range h.Lost { // of presses of which nothing is stored, too
		logs[id] = logs[id]
	}
	for id, l := range logs {
		out[id] = api.PressLog{Events: l.Events, FirstEvent: l.FirstEvent, LastEvent: l.LastEvent, OverlapMS: l.OverlapMS, OverlapMM: l.OverlapMM, Dead: l.Dead,
			Dangling: h.Dangling[id], Holes: h.Holes[id], Lost: h.Lost[id], Quarantined: h.Quarantined[id]}
	}
	return out, nil
}

func (r apiReader) DirtyFrom(ctx context.Context) (map[string]int64, error) {
	return reachedWith(r.db.DirtyFrom(ctx))
}

func (r apiReader) EpochEvents(ctx context.Context, plant, press string, epoch uint64, limit int) ([]*pb.StoredEvent, error) {
	return reachedWith(r.db.EpochEvents(ctx, plant, press, epoch, limit))
}

func (r apiReader) Stored(ctx context.Context, evs []*pb.Event) (map[uint64]bool, error) {
	return reachedWith(r.db.EventsStored(ctx, evs))
}

func (r apiReader) Dead(ctx context.Context) (waiting, redriven uint64, err error) {
	waiting, redriven, err = r.db.CountDead(ctx)
	return waiting, redriven, reached(err)
}

func (r apiReader) Registry(ctx context.Context, upTo uint64) ([]*pb.RegistryRevision, error) {
	return reachedWith(r.db.Registry(ctx, upTo))
}

// FoldAsOf folds a press from its first event, from what was stored up to pos.
func (r apiReader) FoldAsOf(ctx context.Context, press *timeline.Press, pos uint64) (timeline.Projections, error) {
	f, err := projector.Load(ctx, r.db.AsOf(pos), nil, press, 0)
	if err != nil || f == nil {
		return timeline.Projections{}, reached(err)
	}
	return f.Run()
}

func (r apiReader) PutStudy(ctx context.Context, s api.StudyRecord) error {
	return reached(r.db.PutStudy(ctx, warehouse.StudyRow{ID: s.ID, Version: s.Version, CreatedAt: time.UnixMilli(s.CreatedMS).UTC(),
		State: uint8(s.State), Title: s.Title, Body: s.Body}))
}

func studyRecord(s warehouse.StudyRow) api.StudyRecord {
	return api.StudyRecord{ID: s.ID, Version: s.Version, CreatedMS: s.CreatedAt.UnixMilli(), State: pb.StudyState(s.State), Title: s.Title, Body: s.Body}
}

func studyRecords(list []warehouse.StudyRow, err error) ([]api.StudyRecord, error) {
	out := make([]api.StudyRecord, len(list))
	for i, s := range list {
		out[i] = studyRecord(s)
	}
	return out, reached(err)
}

func (r apiReader) GetStudy(ctx context.Context, id string) (api.StudyRecord, error) {
	s, err := r.db.GetStudy(ctx, id)
	return studyRecord(s), reached(err)
}

func (r apiReader) ListStudies(ctx context.Context, before string, limit int) ([]api.StudyRecord, error) {
	return studyRecords(r.db.ListStudies(ctx, before, limit))
}

func (r apiReader) UnfinishedStudies(ctx context.Context) ([]api.StudyRecord, error) {
	return studyRecords(r.db.UnfinishedStudies(ctx))
}

func (r apiReader) PutData(ctx context.Context, data []byte) (string, error) {
	return reachedWith(r.db.PutData(ctx, data))
}

func (r apiReader) GetData(ctx context.Context, sum string) ([]byte, error) {
	return reachedWith(r.db.GetData(ctx, sum))
}

func (r apiReader) WarehouseID() uint64 { return r.db.WarehouseID() }

func (r apiReader) ServerVersion() string { return "ClickHouse " + r.db.ServerVersion() }
