package agent_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"runtime"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/agent"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
)

// fleetLines is one minute of n presses.
func fleetLines(b *bytes.Buffer, minute, n int) {
	from := time.Unix(int64(day0+60*minute), 0).UTC()
	f, to := from.Format(time.RFC3339), from.Add(time.Minute).Format(time.RFC3339)
	for p := range n {
		fmt.Fprintf(b, `{"plant":"rhein","press":"p%d","recordedAt":%q,"slice":{"from":%q,"to":%q,"state":"STATE_PRODUCTION","job":"J%d","ratedMmPerMin":"100000","goodMm":"%d","wasteMm":"120"}}`+"\n",
			p, to, f, to, minute/300, 90_000+minute%7000)
	}
}

// BenchmarkAgent is the way from a line to the mark, over six presses, with a
// real server; behind it stands a reader that only looks at frame headers.
func BenchmarkAgent(b *testing.B) {
	env := eventlogtest.Start(b)
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	cons, err := eventlog.Consumer(ctx, env.JS, 1)
	if err != nil {
		b.Fatal(err)
	}
	marks := make(chan map[string]uint64, 1)
	marks <- map[string]uint64{}
	it, err := cons.Consume(func(m jetstream.Msg) {
		_, press, _ := eventlog.ParseStreamSubject(m.Subject())
		var first, last uint64
		if _, err := fmt.Sscanf(m.Headers().Get(jetstream.MsgIDHeader)[len("rhein/p0/0123456789abcdef/"):], "%d-%d", &first, &last); err != nil {
			b.Error(err)
		}
		mk := <-marks
		if first == mk[press]+1 {
			mk[press] = last
		}
		marks <- mk
		_ = m.Ack()
	})
	if err != nil {
		b.Fatal(err)
	}
	defer it.Stop()
	sub, err := eventlog.ServeMarks(env.Core, func(_, press string, r *pb.MarkRequest) (*pb.MarkReply, error) {
		mk := <-marks
		m := mk[press]
		marks <- mk
		return &pb.MarkReply{Epoch: r.Epoch, Mark: m, WarehouseId: 1, FrameVersion: eventlog.FrameVersion}, nil
	})
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = sub.Unsubscribe() }()
	const presses = 6
	cfg := agent.Config{Name: "a1", SpoolDir: b.TempDir(), URL: env.Server.URL(), Password: eventlogtest.PressPassword}
	for p := range presses {
		cfg.Presses = append(cfg.Presses, fmt.Sprintf("rhein/p%d", p))
	}
	minutes := max(1, b.N/presses)
	var buf bytes.Buffer
	for m := range minutes {
		fleetLines(&buf, m, presses)
	}
	data := buf.Bytes()
	cfg.Sources = []agent.Source{{Reader: bytes.NewReader(data), Name: "bench"}}
	runtime.GC()
	b.ResetTimer()
	a := agent.New(cfg)
	if err := a.Run(ctx); err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(minutes*presses)/b.Elapsed().Seconds(), "events/s")
	// The same again, as a demo that is resumed without a position.
	cfg.Sources = []agent.Source{{Reader: io.LimitReader(bytes.NewReader(data), int64(len(data))), Name: "bench"}}
	began := time.Now()
	again := agent.New(cfg)
	if err := again.Run(ctx); err != nil {
		b.Fatal(err)
	}
	if st := again.Status(); st.Duplicates != uint64(minutes*presses) {
		b.Fatalf("%+v", st)
	}
	b.ReportMetric(float64(minutes*presses)/time.Since(began).Seconds(), "known/s")
}
