package warehouse

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// series makes slices of a press as a press makes them: runs of production with a wandering speed, stops with
// reasons, jobs of some hours, sensors' noise in the lengths, a recording delay that varies, states that change inside
// a minute.
type series struct {
	rng          *rand.Rand
	plant, press string
	epoch, seq   uint64
	at           int64 // unix ms
	state        pb.State
	left         int64 // ms until the state changes
	job          int
	jobLeft      int64
	rated, speed int64
	reason       string
	station      string
}

func newSeries(seed uint64, plant, press string) *series {
	rng := rand.New(rand.NewPCG(seed, 7))
	return &series{rng: rng, plant: plant, press: press, epoch: rng.Uint64(), at: t0}
}

func (s *series) next() *pb.Event {
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
	s.seq++
	sl := &pb.Slice{From: stamp(s.at), To: stamp(s.at + n), State: s.state, Reason: s.reason, Station: s.station,
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
	e := &pb.Event{Plant: s.plant, Press: s.press, Epoch: s.epoch, Seq: s.seq, OccurredAt: sl.From, RecordedAt: stamp(s.at + n + 50 + s.rng.Int64N(400)),
		Body: &pb.Event_Slice{Slice: sl}}
	s.at += n
	s.left -= n
	s.jobLeft -= n
	return e
}

// BenchmarkInsertEvents inserts batches of 100,000 slices of 20 presses: events/s and, merged, bytes per slice.
func BenchmarkInsertEvents(b *testing.B) {
	db := openTest(b)
	ctx := context.Background()
	var presses []*series
	for i := range 20 {
		presses = append(presses, newSeries(uint64(i), "rhein", fmt.Sprintf("p%d", i)))
	}
	const perPress = 5000
	var spent time.Duration
	b.ResetTimer()
	for n := range b.N {
		b.StopTimer()
		months := map[int][]*pb.Event{}
		for _, p := range presses {
			for range perPress {
				e := p.next()
				m := Month(millis(e.OccurredAt))
				months[m] = append(months[m], e)
			}
		}
		b.StartTimer()
		start := time.Now()
		for _, evs := range months {
			if err := db.InsertEvents(ctx, evs, uint64(n)+1); err != nil {
				b.Fatal(err)
			}
		}
		spent += time.Since(start)
	}
	b.StopTimer()
	rows := float64(b.N) * perPress * float64(len(presses))
	b.ReportMetric(rows/spent.Seconds(), "events/s")
	if err := db.conn.Exec(ctx, "OPTIMIZE TABLE events FINAL"); err != nil {
		b.Fatal(err)
	}
	var bytes, stored uint64
	if err := db.conn.QueryRow(ctx, "SELECT sum(bytes_on_disk), sum(rows) FROM system.parts WHERE active AND database = currentDatabase() AND table = 'events'").Scan(&bytes, &stored); err != nil {
		b.Fatal(err)
	}
	if stored != uint64(rows) {
		b.Fatalf("%d rows stored of %g", stored, rows)
	}
	b.ReportMetric(float64(bytes)/rows, "bytes/slice")
	r, err := db.conn.Query(ctx, "SELECT column, sum(column_data_compressed_bytes) AS c FROM system.parts_columns WHERE active AND database = currentDatabase() AND table = 'events' GROUP BY column ORDER BY c DESC LIMIT 16")
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	for r.Next() {
		var c string
		var n uint64
		if err := r.Scan(&c, &n); err != nil {
			b.Fatal(err)
		}
		b.Logf("%-18s %.2f bytes/slice", c, float64(n)/rows)
	}
}

// BenchmarkReadSlices reads a press's half year of slices.
func BenchmarkReadSlices(b *testing.B) {
	db := openTest(b)
	ctx := context.Background()
	p := newSeries(1, "rhein", "p1")
	rows := 0
	months := map[int][]*pb.Event{}
	for range 250000 {
		e := p.next()
		m := Month(millis(e.OccurredAt))
		months[m] = append(months[m], e)
		rows++
	}
	pos := uint64(0)
	for _, evs := range months {
		pos++
		if err := db.InsertEvents(ctx, evs, pos); err != nil {
			b.Fatal(err)
		}
	}
	b.ResetTimer()
	for range b.N {
		got, err := db.ReadSlices(ctx, "rhein", "p1", t0, p.at)
		if err != nil || len(got) != rows {
			b.Fatal(len(got), err)
		}
	}
	b.ReportMetric(float64(rows)*float64(b.N)/b.Elapsed().Seconds(), "slices/s")
}
