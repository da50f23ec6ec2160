package main

import (
	"fmt"
	"math/rand/v2"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/agent/spool"
	"github.com/downweb/downweb/services/eventlog"
)

// benchStart is where the events of a bench begin, and maxPressEvents how many of a press fit before today.
var benchStart = time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC).UnixMilli()

const (
	maxPressEvents = 600_000
	benchPlant     = "bench"
	blockEvents    = 500 // of a spool's block, about what the agent's group commit makes
)

// benchSeries makes slices as a press makes them: runs of production with a wandering speed, stops with reasons, jobs
// of some hours, noise in the lengths, a recording delay that varies, states that change inside a minute.
type benchSeries struct {
	rng             *rand.Rand
	press           string
	at              int64 // unix ms
	state           pb.State
	left, jobLeft   int64 // ms until the state, the job ends
	job             int
	rated, speed    int64
	reason, station string
}

func newBenchSeries(seed uint64, i int) *benchSeries {
	return &benchSeries{rng: rand.New(rand.NewPCG(seed, uint64(i)+1)), press: benchPress(i), at: benchStart}
}

func benchPress(i int) string { return fmt.Sprintf("p%03d", i+1) }

func (s *benchSeries) next() *pb.Event {
	if s.jobLeft <= 0 {
		s.job++
		s.jobLeft = 3600000 + s.rng.Int64N(4*3600000)
		s.rated = 1000 * (60 + 10*s.rng.Int64N(9))
		s.state, s.left = pb.State_STATE_SETUP, 600000+s.rng.Int64N(1800000)
	}
	if s.left <= 0 {
		switch s.rng.IntN(4) {
		case 0:
			s.state, s.left = pb.State_STATE_DOWN, 10000+s.rng.Int64N(600000)
			s.reason, s.station = fmt.Sprintf("reason-%d", s.rng.IntN(12)), fmt.Sprintf("station-%d", s.rng.IntN(10))
		case 1:
			s.state, s.left = pb.State_STATE_WAITING, 10000+s.rng.Int64N(900000)
			s.reason, s.station = fmt.Sprintf("reason-%d", s.rng.IntN(12)), ""
		default:
			s.state, s.left = pb.State_STATE_PRODUCTION, 300000+s.rng.Int64N(3600000)
			s.reason, s.station = "", ""
			s.speed = s.rated * (70 + s.rng.Int64N(35)) / 100
		}
	}
	n := min(60000-s.at%60000, s.left)
	sl := &pb.Slice{From: stampMs(s.at), To: stampMs(s.at + n), State: s.state, Reason: s.reason, Station: s.station,
		Job: fmt.Sprintf("%s-%05d", s.press, s.job), RatedMmPerMin: proto.Int64(s.rated)}
	switch s.state {
	case pb.State_STATE_PRODUCTION:
		sl.GoodMm = s.speed*n/60000 + s.rng.Int64N(2000)
		if s.rng.IntN(10) == 0 {
			sl.WasteMm = s.rng.Int64N(20000)
		}
	case pb.State_STATE_SETUP:
		sl.WasteMm = s.rng.Int64N(30000)
	}
	e := &pb.Event{OccurredAt: sl.From, RecordedAt: stampMs(s.at + n + 50 + s.rng.Int64N(400)), Body: &pb.Event_Slice{Slice: sl}}
	s.at += n
	s.left -= n
	s.jobLeft -= n
	return e
}

func stampMs(ms int64) *timestamppb.Timestamp {
	return &timestamppb.Timestamp{Seconds: ms / 1000, Nanos: int32(ms%1000) * 1e6}
}

// benchData are the events of a run as the agent would send them, without a Go pointer for each of them.
type benchData struct {
	epoch  uint64
	bytes  int64    // of all frames
	frames [][]byte // full ones, in the order in which a line takes them: round and round the presses
	series []*benchSeries
}

// fillSpool writes the run's events into a spool, and the same events as frames.
func fillSpool(path string, plan ingestPlan) (*benchData, error) {
	sp, err := spool.Open(path, spool.Options{MaxBytes: 8 << 30})
	if err != nil {
		return nil, err
	}
	defer sp.Close()
	d := &benchData{epoch: sp.Epoch()}
	for i := range plan.Presses {
		d.series = append(d.series, newBenchSeries(plan.Seed, i))
	}
	left := make([]int, plan.Presses)
	next := make([]uint64, plan.Presses)
	for i := range left {
		left[i] = plan.Events / plan.Presses
		if i < plan.Events%plan.Presses {
			left[i]++
		}
		next[i] = 1
	}
	for open := true; open; {
		open = false
		batch := &spool.Batch{}
		for i, s := range d.series {
			n := min(left[i], eventlog.MaxFrameEvents)
			if n == 0 {
				continue
			}
			open = true
			left[i] -= n
			blocks, err := s.blocks(next[i], n)
			if err != nil {
				return nil, err
			}
			batch.Blocks = append(batch.Blocks, blocks...)
			frame, err := benchFrame(blocks, d.epoch)
			if err != nil {
				return nil, err
			}
			d.frames = append(d.frames, frame)
			d.bytes += int64(len(frame))
			next[i] += uint64(n)
		}
		if len(batch.Blocks) > 0 {
			if err := sp.Commit(batch); err != nil {
				return nil, err
			}
		}
	}
	return d, nil
}

// blocks are the press's next n events in blocks as the agent commits them.
func (s *benchSeries) blocks(first uint64, n int) ([]spool.Block, error) {
	var out []spool.Block
	var record []byte
	for n > 0 {
		b := spool.Block{Press: benchPlant + "/" + s.press, First: first}
		for range min(n, blockEvents) {
			at := s.at
			var err error
			if record, err = eventlog.AppendEvent(record[:0], s.next()); err != nil {
				return nil, err
			}
			b.Add(record, at)
		}
		first += uint64(b.Count)
		n -= int(b.Count)
		out = append(out, b)
	}
	return out, nil
}

// benchFrame is neighboring blocks of one press as one frame, which is how the agent joins them.
func benchFrame(blocks []spool.Block, epoch uint64) ([]byte, error) {
	h := &pb.FrameHeader{Plant: benchPlant, Press: blocks[0].Press[len(benchPlant)+1:], Epoch: epoch, FirstSeq: blocks[0].First,
		MinOccurredMs: blocks[0].MinMs, MaxOccurredMs: blocks[len(blocks)-1].MaxMs}
	var records []byte
	for _, b := range blocks {
		h.Count += b.Count
		records = append(records, b.Records...)
	}
	return eventlog.EncodeFrame(h, records)
}
