package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"os"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/ingest"
)

// program runs a command against the line's api.
func (l *apiLine) program(args ...string) (code int, out, errs string) {
	l.t.Helper()
	var o, e bytes.Buffer
	code = run(context.Background(), os.Environ(), append(args, "--addr", l.conn.Target()), strings.NewReader(""), &o, &e)
	return code, o.String(), e.String()
}

func (l *apiLine) waitDead(n int) []*pb.DeadLetter {
	l.t.Helper()
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		r, err := l.status.ListDeadLetters(l.ctx, &pb.ListDeadLettersRequest{WaitingOnly: true})
		if err != nil {
			l.t.Fatal(err)
		}
		if len(r.Letters) == n {
			return r.Letters
		}
		if time.Now().After(end) {
			l.t.Fatalf("%d dead letters wait, want %d: %v", len(r.Letters), n, r.Letters)
		}
	}
}

// Dead letters are listed, shown and redriven through the whole line: what can be accepted now is stored once under its
// own identity, what cannot stays with the reason of now; doing it again changes nothing.
func TestDeadLettersRedriven(t *testing.T) {
	l := newAPILine(t)
	if _, err := l.apply(nil, 0); err != nil {
		t.Fatal(err)
	}
	in := ingest.New(ingest.Config{BatchWait: 20 * time.Millisecond, LeaseTTL: time.Second, FutureLimit: time.Minute}, ingest.Deps{NC: l.env.Core, JS: l.env.JS, Warehouse: l.db})
	l.background("ingest", in.Run)
	w := l.deps.Writer.(*apiWriter)
	soon := time.Now().UTC().Truncate(time.Millisecond).Add(time.Minute + 4*time.Second)
	early, wrong, fine := defect(soon), defect(time.Now()), defect(time.Now().Add(-time.Hour))
	wrong.GetDefectSeen().LengthMm = -1
	for i, e := range []*pb.Event{early, wrong, fine} {
		e.Plant, e.Press, e.Epoch, e.Seq, e.RecordedAt = "rhein", "p1", 91, uint64(i)+1, stampOf(time.Now())
	}
	if n, err := w.publish(l.ctx, []*pb.Event{early, wrong, fine}); err != nil || n != 3 {
		t.Fatal(n, err)
	}
	if err := w.await(l.ctx, fine); err != nil {
		t.Fatal(err)
	}
	if _, err := l.env.JS.Publish(l.ctx, eventlog.StreamSubject("rhein", "p1"), []byte("not a frame")); err != nil {
		t.Fatal(err)
	}
	letters := l.waitDead(3)
	by := map[uint64]*pb.DeadLetter{}
	for _, d := range letters {
		by[d.Seq] = d
	}
	if by[1] == nil || by[2] == nil || by[0] == nil || by[1].Epoch != "000000000000005b" || by[1].Field != "occurred_at" || !strings.Contains(by[1].Reason, "future") ||
		by[1].Payload != nil || by[1].State != pb.DeadLetterState_DEAD_LETTER_STATE_WAITING || by[0].PayloadBytes != 11 {
		t.Fatalf("letters: %v", letters)
	}
	// In pages, each letter once, newest first.
	seen, token := map[string]bool{}, ""
	for n := 0; n == 0 || token != ""; n++ {
		r, err := l.status.ListDeadLetters(l.ctx, &pb.ListDeadLettersRequest{PageSize: 2, PageToken: token})
		if err != nil || n > 2 {
			t.Fatalf("page %d: %v", n, err)
		}
		for _, d := range r.Letters {
			if seen[d.Id] {
				t.Errorf("%s twice", d.Id)
			}
			seen[d.Id] = true
		}
		token = r.NextPageToken
	}
	if len(seen) != 3 {
		t.Errorf("%d letters in pages", len(seen))
	}
	_, err := l.status.ListDeadLetters(l.ctx, &pb.ListDeadLettersRequest{PageToken: "x"})
	wantField(t, err, "page_token")
	_, err = l.status.GetDeadLetter(l.ctx, &pb.GetDeadLetterRequest{Id: "rhein/p1"})
	wantField(t, err, "id")
	_, err = l.status.GetDeadLetter(l.ctx, &pb.GetDeadLetterRequest{Id: "rhein/p1/000000000000005b/1/0123456789ab"})
	wantStatus(t, err, codes.NotFound, "dead letter")
	_, err = l.status.RedriveDeadLetters(l.ctx, &pb.RedriveDeadLettersRequest{Ids: []string{by[1].Id}, Scope: &pb.Scope{Plants: []string{"rhein"}}})
	wantField(t, err, "scope")

	// Whole, as it came.
	got, err := l.status.GetDeadLetter(l.ctx, &pb.GetDeadLetterRequest{Id: by[1].Id})
	if err != nil || !proto.Equal(got.Letter.Event, early) || len(got.Letter.Payload) != int(by[1].PayloadBytes) {
		t.Errorf("%v %v, want %v", got, err, early)
	}
	code, out, errs := l.program("dead", "show", by[0].Id)
	if code != 0 || !strings.Contains(out, "not a frame") || !strings.Contains(out, "no magic") {
		t.Errorf("show: exit %d %q %q", code, out, errs)
	}
	// The cause is not mended yet: refused, with the reason of now.
	code, out, _ = l.program("dead", "redrive", by[1].Id, by[0].Id)
	if code != 1 || strings.Count(out, "refused again") != 2 || !strings.Contains(out, "lies in the future") {
		t.Errorf("redriven too early: exit %d %q", code, out)
	}
	l.waitDead(3)
	time.Sleep(time.Until(soon.Add(-time.Minute + 500*time.Millisecond))) // it is mended by itself
	code, out, errs = l.program("dead", "redrive", "--all", "--plant", "rhein", "-o", "json")
	r := &pb.RedriveDeadLettersResponse{}
	if err := protojson.Unmarshal([]byte(out), r); err != nil || code != 1 || len(r.Letters) != 3 {
		t.Fatalf("redrive: exit %d %q %q %v", code, out, errs, err)
	}
	for _, x := range r.Letters {
		want, reason := pb.RedriveOutcome_REDRIVE_OUTCOME_REFUSED, "must"
		switch x.Id {
		case by[1].Id:
			want, reason = pb.RedriveOutcome_REDRIVE_OUTCOME_STORED, ""
		case by[0].Id:
			reason = "no magic"
		}
		if x.Outcome != want || !strings.Contains(x.Reason, reason) {
			t.Errorf("%v, want %v %q", x, want, reason)
		}
	}
	again, err := l.status.RedriveDeadLetters(l.ctx, &pb.RedriveDeadLettersRequest{Ids: []string{by[1].Id}})
	if err != nil || len(again.Letters) != 1 || again.Letters[0].Outcome != pb.RedriveOutcome_REDRIVE_OUTCOME_ALREADY {
		t.Errorf("redriven twice: %v %v", again, err)
	}
	stored, err := l.db.EpochEvents(l.ctx, "rhein", "p1", 91, 10)
	if err != nil || len(stored) != 2 || !proto.Equal(stored[0].Event, early) {
		t.Errorf("stored: %v %v", stored, err)
	}
	var rows uint64
	if err := l.db.Conn().QueryRow(l.ctx, "SELECT count() FROM events WHERE epoch = 91").Scan(&rows); err != nil || rows != 2 {
		t.Errorf("%d rows, %v", rows, err)
	}
	// Two wait, one was redriven; status and list say so.
	l.waitDead(2)
	st, err := l.status.GetStatus(l.ctx, &pb.GetStatusRequest{})
	if err != nil || st.Dead != 2 || st.Redriven != 1 {
		t.Errorf("status: %v %v", st, err)
	}
	code, out, _ = l.program("dead", "list", "--all", "-o", "csv")
	table, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	if code != 0 || err != nil || len(table) != 4 {
		t.Errorf("list: exit %d %q", code, out)
	}
	if code, out, _ = l.program("dead", "list"); code != 0 || strings.Count(out, "waits") != 2 {
		t.Errorf("list: exit %d %q", code, out)
	}
	// The mark has passed all of it from the beginning on, and the agent's view is in the status.
	if _, err := eventlog.AskMark(l.ctx, l.env.Press, "rhein", "p1", &pb.MarkRequest{Epoch: 91, FirstSeq: 3, LastSeq: 13,
		Lost: []*pb.LostRange{{FirstSeq: 5, LastSeq: 7, Reason: "damaged block"}}}); err != nil {
		t.Fatal(err)
	}
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		st, err := l.status.GetStatus(l.ctx, &pb.GetStatusRequest{Scope: &pb.Scope{Presses: []string{"rhein/p1"}}})
		if err != nil {
			t.Fatal(err)
		}
		p := st.Presses[0]
		if len(p.Lost) == 1 && p.Lost[0].FirstSeq == 5 && p.Lost[0].LastSeq == 7 && p.Lost[0].Reason == "damaged block" && p.Lost[0].Epoch == "000000000000005b" &&
			len(p.Holes) == 1 && p.Holes[0].FirstSeq == 4 && p.Holes[0].LastSeq == 4 && p.SpoolDepth != nil && *p.SpoolDepth == 10 && p.AgentSeen != nil {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("status: %v", p)
		}
	}
}
