package projector

import (
	"bufio"
	"bytes"
	"context"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/fleetsim"
	"github.com/downweb/downweb/services/warehouse"
	"github.com/downweb/downweb/services/warehouse/warehousetest"
)

// BenchmarkHalfYear folds 26 weeks of one simulated press from the real
// warehouse and stores the rows.
func BenchmarkHalfYear(b *testing.B) {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Minute)
	defer cancel()
	db, err := warehouse.Open(ctx, warehouse.Config{DSN: warehousetest.DSN(b)})
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	sim, err := fleetsim.New(fleetsim.Config{Seed: 7, Until: "2026-06-28"})
	if err != nil {
		b.Fatal(err)
	}
	for i, p := range sim.Plants() {
		if err := db.InsertRegistry(ctx, &pb.RegistryRevision{Rev: uint64(i + 1), Plant: p, AppliedAt: timestamppb.Now()}); err != nil {
			b.Fatal(err)
		}
	}
	byMonth := map[string][]*pb.Event{}
	keys := map[string]*pb.Event{}
	seq := uint64(0)
	for d := sim.First(); d <= sim.Last(); d++ {
		var buf bytes.Buffer
		if _, err := sim.Day(0, d, &buf); err != nil {
			b.Fatal(err)
		}
		sc := bufio.NewScanner(&buf)
		for sc.Scan() {
			e := new(pb.Event)
			if err := protojson.Unmarshal(sc.Bytes(), e); err != nil {
				b.Fatal(err)
			}
			if e.OccurredAt == nil {
				e.OccurredAt = e.GetSlice().GetFrom()
			}
			seq++
			e.Epoch, e.Seq = 1, seq
			keys[e.SourceKey] = e
			if v := e.GetVoided(); v != nil {
				t := keys[v.TargetSourceKey]
				v.Epoch, v.FirstSeq, v.LastSeq, v.Earliest = 1, t.Seq, t.Seq, t.OccurredAt
			}
			m := e.OccurredAt.AsTime().Format("2006-01")
			byMonth[m] = append(byMonth[m], e)
		}
	}
	pos := uint64(0)
	for _, evs := range byMonth {
		pos++
		if err := db.InsertEvents(ctx, evs, pos); err != nil {
			b.Fatal(err)
		}
	}
	first := byMonth["2026-06"][0]
	p := New(Config{}, db, testStore{db})
	b.ResetTimer()
	for i := 0; i < b.N; i++ {
		if err := db.MarkDirty(ctx, []warehouse.Dirty{{Plant: first.Plant, Press: first.Press, From: 0}}); err != nil {
			b.Fatal(err)
		}
		if n, err := p.Once(ctx); err != nil || n != 1 {
			b.Fatal(n, err)
		}
	}
	b.ReportMetric(float64(p.Counters().Days)/b.Elapsed().Seconds(), "days/s")
	b.ReportMetric(float64(seq)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
}
