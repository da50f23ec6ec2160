package agent_test

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/agent"
	"github.com/downweb/downweb/services/agent/spool"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
)

// Forty presses that all have a backlog of several full frames share what may be in flight without waiting for each
// other for ever.
func TestManyPressesCatchUp(t *testing.T) {
	const presses, each = 40, 6000
	env := eventlogtest.Start(t)
	s := startSink(t, env)
	cfg := config(t, env)
	cfg.Presses = nil
	sp, err := spool.Open(filepath.Join(cfg.SpoolDir, cfg.Name+".db"), spool.Options{})
	if err != nil {
		t.Fatal(err)
	}
	epoch := sp.Epoch()
	for p := range presses {
		name := fmt.Sprintf("rhein/p%d", p)
		cfg.Presses = append(cfg.Presses, name)
		batch := &spool.Batch{}
		for first := 1; first <= each; first += 1000 {
			b := spool.Block{Press: name, First: uint64(first)}
			for i := range 1000 {
				from := timestamppb.New(time.Unix(int64(day0+60*(first+i)), 0))
				to := timestamppb.New(from.AsTime().Add(time.Minute))
				r, err := eventlog.AppendEvent(nil, &pb.Event{RecordedAt: to, Body: &pb.Event_Slice{Slice: &pb.Slice{From: from, To: to, State: pb.State_STATE_PRODUCTION, GoodMm: int64(i)}}})
				if err != nil {
					t.Fatal(err)
				}
				b.Add(r, from.AsTime().UnixMilli())
			}
			batch.Blocks = append(batch.Blocks, b)
		}
		if err := sp.Commit(batch); err != nil {
			t.Fatal(err)
		}
	}
	if err := sp.Close(); err != nil {
		t.Fatal(err)
	}
	cfg.Sources = []agent.Source{{Path: write(t, filepath.Join(t.TempDir(), "none.jsonl"), "")}}
	run(t, cfg)
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, name := range cfg.Presses {
		if m := s.mark[fmt.Sprintf("%s/%016x", name, epoch)]; m != each {
			t.Errorf("%s: %d of %d events arrived", name, m, each)
		}
	}
}
