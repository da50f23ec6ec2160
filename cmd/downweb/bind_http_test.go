package main

import (
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/gateway"
	"github.com/downweb/downweb/services/web"
)

// overHTTP asks the worked shifts over HTTP: the answers are gRPC's to the bit, its refusals are those of HTTP, and the
// examples of deploy/docs/http.md run as they are written.
func (l *apiLine) overHTTP(t *testing.T) {
	site, err := web.New(l.conn, web.Config{Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	over, err := gateway.Handler(l.ctx, l.conn)
	if err != nil {
		t.Fatal(err)
	}
	site.Mount(gateway.Prefix, over)
	srv := httptest.NewServer(site)
	defer srv.Close()
	get := func(path string) (int, []byte) {
		t.Helper()
		r, err := http.Get(srv.URL + path)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		text, err := io.ReadAll(r.Body)
		if err != nil {
			t.Fatal(err)
		}
		return r.StatusCode, text
	}
	want, err := l.losses().GetLosses(l.ctx, &pb.GetLossesRequest{Scope: press("rhein/p1", "rhein/p2"), Period: june15, GroupBy: pb.LossGroup_LOSS_GROUP_STATION})
	if err != nil {
		t.Fatal(err)
	}
	got := &pb.GetLossesResponse{}
	code, text := get("/v1/losses?scope.presses=rhein/p1&scope.presses=rhein/p2&period.first_day=2026-06-15&period.last_day=2026-06-15&group_by=LOSS_GROUP_STATION")
	if err := protojson.Unmarshal(text, got); code != 200 || err != nil || !proto.Equal(got, want) || len(want.Groups) == 0 {
		t.Errorf("losses over HTTP: %d %v\n%s\nwant %v", code, err, text, want)
	}
	for _, c := range []struct {
		path string
		code int
		grpc codes.Code
		text string
	}{
		{"/v1/losses", 400, codes.InvalidArgument, "period"},
		{"/v1/losses?period.first_day=june&period.last_day=july", 400, codes.InvalidArgument, "first_day"},
		{"/v1/losses?period.first_day=2026-06-15&period.last_day=2026-06-15&scope.presses=rhein/none", 404, codes.NotFound, "rhein/none"},
		{"/v1/studies/none", 404, codes.NotFound, "none"},
		{"/v1/studies/none/data", 404, codes.NotFound, "none"},
	} {
		var said struct {
			Code    codes.Code
			Message string
			Details []map[string]any
		}
		code, text := get(c.path)
		if err := json.Unmarshal(text, &said); err != nil || code != c.code || said.Code != c.grpc || !strings.Contains(string(text), c.text) || len(said.Details) == 0 {
			t.Errorf("%s: %d %s", c.path, code, text)
		}
	}
	runExamples(t, "../../deploy/docs/http.md", "http://127.0.0.1:7714", srv.URL)
}

// runExamples runs the sh blocks of a Markdown file one after the other with an address replaced. A text block behind
// one is what it prints.
func runExamples(t *testing.T, file, address, by string) {
	t.Helper()
	for _, program := range []string{"bash", "curl", "jq"} {
		if _, err := exec.LookPath(program); err != nil {
			if os.Getenv("CI") != "" {
				t.Fatal(err)
			}
			t.Skip(err)
		}
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	ran, compared, said := 0, 0, ""
	for _, block := range fenced(string(text)) {
		switch block.lang {
		case "sh":
			ctx, stop := context.WithTimeout(t.Context(), 30*time.Second)
			c := exec.CommandContext(ctx, "bash", "-eu", "-c", strings.ReplaceAll(block.text, address, by))
			var errs strings.Builder
			c.Stderr = &errs
			out, err := c.Output()
			stop()
			if said = string(out); err != nil || said == "" || strings.Contains(said, "null\n") {
				t.Errorf("%s: %v\n%s%s%s", file, err, block.text, said, errs.String())
			}
			ran++
		case "text":
			if said != block.text {
				t.Errorf("%s says %q, it printed %q", file, block.text, said)
			}
			compared++
		}
	}
	if ran < 5 || compared < 3 {
		t.Errorf("%s: only %d examples ran, %d were compared", file, ran, compared)
	}
}

type fence struct{ lang, text string }

// fenced gives the fenced blocks of a Markdown text.
func fenced(text string) (out []fence) {
	open := false
	for line := range strings.Lines(text) {
		mark, isFence := strings.CutPrefix(line, "```")
		switch {
		case isFence && !open:
			out, open = append(out, fence{lang: strings.TrimSpace(mark)}), true
		case isFence:
			open = false
		case open:
			out[len(out)-1].text += line
		}
	}
	return out
}
