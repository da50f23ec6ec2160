package main

import (
	"bytes"
	"context"
	"os"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// command runs the program in a state directory of its own.
func command(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(context.Background(), append(os.Environ(), "XDG_STATE_HOME="+t.TempDir()), args, strings.NewReader(""), &o, &e)
	return code, o.String(), e.String()
}

func TestMistakesOnTheCommandLine(t *testing.T) {
	for _, test := range []struct {
		args string
		code int
		want string
	}{
		{"lose", 2, `unknown command "lose"`},
		{"study bake", 2, `unknown command "bake"`},
		{"loss --pres rhein/p1", 2, "unknown flag: --pres"},
		{"loss -o xml", 2, "want table, json, csv"},
		{"loss --by color", 2, "want day, family, kind"},
		{"loss extra", 2, "got 1 argument"},
		{"study show", 2, "got 0 argument"},
		{"events void rhein/p1/1 --why x", 2, "not an event id"},
		{"events void a/b/c/1", 2, "--why"},
		{"events list --event slise", 2, "want slice"},
		{"up --grpc nowhere --check", 2, "api.grpc"},
		{"loss", 1, "nothing runs in"},
		{"loss --addr 127.0.0.1:1", 1, "cannot be reached"},
	} {
		code, out, errs := command(t, strings.Fields(test.args)...)
		if code != test.code || !strings.Contains(errs, test.want) {
			t.Errorf("%s: exit %d, stderr %q; want %d, %q", test.args, code, errs, test.code, test.want)
		}
		if strings.Count(errs, "\n") != 1 || !strings.HasPrefix(errs, "downweb: ") || out != "" {
			t.Errorf("%s: not one line on stderr alone: %q, %q", test.args, errs, out)
		}
	}
	if code, out, errs := command(t); code != 0 || errs != "" || !strings.Contains(out, "loss") {
		t.Errorf("without a command: exit %d, %q, %q", code, out, errs)
	}
}

func TestExplain(t *testing.T) {
	st, _ := status.New(codes.InvalidArgument, "bad request").WithDetails(&errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
		{Field: "period.first_day", Description: "is after last_day"}}})
	if got := explain(usageError{st.Err()}); got != "period.first_day: is after last_day" {
		t.Errorf("%q", got)
	}
	if got := explain(status.Error(codes.NotFound, "press rhein/p9 is not in the registry")); got != "press rhein/p9 is not in the registry" {
		t.Errorf("%q", got)
	}
	if got := oneLine("a\nb\r\n\n c\n"); got != "a; b;  c" {
		t.Errorf("%q", got)
	}
}

func TestPeriods(t *testing.T) {
	newest := func() (time.Time, error) { return time.Date(2026, 6, 28, 0, 0, 0, 0, time.UTC), nil }
	for _, test := range []struct {
		flags       periodFlags
		first, last string
	}{
		{periodFlags{}, "2026-06-22", "2026-06-28"},
		{periodFlags{since: "4w"}, "2026-06-01", "2026-06-28"},
		{periodFlags{since: "1d"}, "2026-06-28", "2026-06-28"},
		{periodFlags{from: "2026-01-02", to: "2026-01-02"}, "2026-01-02", "2026-01-02"},
		{periodFlags{from: "2026-06-01"}, "2026-06-01", "2026-06-28"},
		{periodFlags{month: "2026-02"}, "2026-02-01", "2026-02-28"},
		{periodFlags{month: "2024-02"}, "2024-02-01", "2024-02-29"},
		{periodFlags{week: "2026-W26"}, "2026-06-22", "2026-06-28"},
		// ISO 8601: week 1 holds the year's first Thursday; 2020 has 53 weeks and ends on 2021-01-03
		// (from memory of the standard's rule).
		{periodFlags{week: "2020-W53"}, "2020-12-28", "2021-01-03"},
		{periodFlags{week: "2025-W01"}, "2024-12-30", "2025-01-05"},
	} {
		p, err := test.flags.resolve(newest)
		if err != nil || p.GetFirstDay() != test.first || p.GetLastDay() != test.last {
			t.Errorf("%+v: %v, %v", test.flags, p, err)
		}
	}
	for _, bad := range []periodFlags{{week: "2021-W53"}, {week: "2026-26"}, {month: "June"}, {from: "2026-02-30", to: "2026-03-01"}, {from: "2026-03-02", to: "2026-03-01"},
		{to: "2026-03-01"}, {since: "7"}, {since: "12h"}, {since: "0d"}, {week: "2026-W01", month: "2026-01"}} {
		if p, err := bad.resolve(newest); err == nil {
			t.Errorf("%+v accepted: %v", bad, p)
		} else if _, usage := err.(usageError); !usage {
			t.Errorf("%+v: not a usage error: %v", bad, err)
		}
	}
}

func TestRecordBatches(t *testing.T) {
	text := `{"occurredAt":"2026-06-15T04:00:00Z","defectSeen":{"kind":"DEFECT_KIND_STREAK"}}

{"plant":"rhein","press":"p2","occurredAt":"2026-06-15T04:00:00Z","jobEnded":{"job":"j1"}}
{"occurred_at":"2026-06-15T04:01:00Z","defect_seen":{"kind":"DEFECT_KIND_VOID"}}`
	b, err := recordBatches("f", []byte(text), "rhein/p1")
	if err != nil || len(b) != 2 || len(b[0].Events) != 2 || b[0].Events[0].Press != "p1" || b[1].Events[0].Press != "p2" {
		t.Fatalf("%v, %v", b, err)
	}
	again, _ := recordBatches("f", []byte(text), "rhein/p1")
	if again[0].RequestId != b[0].RequestId || b[0].RequestId == b[1].RequestId || len(b[0].RequestId) > 64 {
		t.Errorf("request ids %s, %s", b[0].RequestId, b[1].RequestId)
	}
	for bad, want := range map[string]string{`{"plant":"a"`: "f:1", "\n{\"bogus\":1}": "f:2", `{"jobEnded":{"job":"j"}}`: "f:1: the event names no press"} {
		if _, err := recordBatches("f", []byte(bad), ""); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

func TestStudySpec(t *testing.T) {
	s, err := parseSpec("s.yaml", []byte("title: spring\nperiod: {first_day: 2026-01-01, last_day: 2026-06-28}\nscope: {plants: [rhein]}\nmax_lag: 0\nseed: 18446744073709551615\n"))
	if err != nil || s.GetPeriod().GetFirstDay() != "2026-01-01" || s.MaxLag == nil || s.GetSeed() != 1<<64-1 || s.GetScope().GetPlants()[0] != "rhein" {
		t.Errorf("%v, %v", s, err)
	}
	for bad, want := range map[string]string{"titel: x": "titel", "title: [": "s.yaml", "seed: 1\nseed: 2": "stands twice"} {
		if _, err := parseSpec("s.yaml", []byte(bad)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", bad, err)
		}
	}
}
