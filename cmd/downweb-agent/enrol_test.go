package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/downweb/downweb/services/agent"
	"github.com/downweb/downweb/services/eventlog/enrol"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
)

// TestEnrolAndRun: the program enrols with a token over TLS by the pinned
// certificate, then takes a press's events to the warehouse; a second enrolment
// needs --again; a press that is not its own is denied and said so.
func TestEnrolAndRun(t *testing.T) {
	env := eventlogtest.StartTLS(t, false)
	warehouse(t, env)
	dir := t.TempDir()
	ask := func(in string, args ...string) (string, int) {
		var out bytes.Buffer
		code := run(t.Context(), append(args, "--data-dir", dir), strings.NewReader(in), &out, &out)
		return out.String(), code
	}
	if said, code := ask("", "run", "--press", "rhein/p1", "--source", "-"); code != 1 || !strings.Contains(said, "downweb enrol PRESS") {
		t.Errorf("without a key: %d %s", code, said)
	}
	e, secret, err := env.Keys.NewToken([]string{"rhein/p1"}, time.Hour, time.Now())
	must(t, err)
	tok := enrol.Token{ID: e.ID, Secret: secret, Server: strings.Replace(env.Server.URL(), "nats://", "tls://", 1), Pins: env.Pins}
	if said, code := ask("", "enrol", tok.String()[:60]); code != 2 || !strings.Contains(said, "whole enrolment token") {
		t.Errorf("half a token: %d %s", code, said)
	}
	bad := tok
	bad.Pins = []string{strings.Repeat("ab", 32)}
	if said, code := ask("", "enrol", bad.String()); code != 1 || !strings.Contains(said, "certificate") {
		t.Errorf("another server: %d %s", code, said)
	}
	said, code := "", 1
	for end := time.Now().Add(10 * time.Second); code != 0 && time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		said, code = ask(tok.String()+"\n", "enrol", "-", "--device", "box")
	}
	if code != 0 || !strings.Contains(said, "rhein/p1") {
		t.Fatalf("%d %s", code, said)
	}
	if info, err := os.Stat(filepath.Join(dir, "keys", "press.json")); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v %v", info, err)
	}
	if said, code := ask("", "enrol", tok.String()); code != 1 || !strings.Contains(said, "--again") {
		t.Errorf("%d %s", code, said)
	}
	line := `{"plant":"rhein","press":"p1","slice":{"from":"2026-06-01T06:00:00Z","to":"2026-06-01T06:01:00Z","state":"STATE_PRODUCTION","job":"J1","ratedMmPerMin":"100000","goodMm":"90000"}}` + "\n"
	in := filepath.Join(dir, "in.jsonl")
	must(t, os.WriteFile(in, []byte(line), 0o600))
	if said, code := ask("", "run", "--source", in); code != 0 || !strings.Contains(said, "accepted 1") {
		t.Fatalf("%d %s", code, said)
	}
	states, err := agent.ReadStates(filepath.Join(dir, "run"))
	must(t, err)
	if len(states) != 1 || states[0].Status.Confirmed != 1 || states[0].Status.Denied != 0 {
		t.Errorf("%+v", states)
	}

	// A press of another's.
	in2 := filepath.Join(dir, "in2.jsonl")
	must(t, os.WriteFile(in2, []byte(strings.ReplaceAll(line, `"p1"`, `"p2"`)), 0o600))
	ctx, stop := context.WithCancel(t.Context())
	var out lines
	ended := make(chan int, 1)
	go func() {
		ended <- run(ctx, []string{"run", "--data-dir", dir, "--press", "rhein/p2", "--agent-name", "a2", "--source", in2}, strings.NewReader(""), &out, &out)
	}()
	denied := func() bool {
		states, err := agent.ReadStates(filepath.Join(dir, "run"))
		for _, s := range states {
			if s.Name == "a2" && s.Status.Denied > 0 && strings.Contains(s.Status.LastDenied, "dw.v1.rhein.p2") {
				return err == nil
			}
		}
		return false
	}
	for end := time.Now().Add(30 * time.Second); !denied(); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("nobody says that it is denied: " + out.String())
		}
	}
	if said, _ := ask("", "status"); !strings.Contains(said, "REFUSED BY THE LOG SERVER") {
		t.Errorf("status: %s", said)
	}
	stop()
	<-ended
}

// TestSharedPassword: an agent that was set up before there were keys works as
// before, also where the server takes plaintext beside TLS.
func TestSharedPassword(t *testing.T) {
	for name, env := range map[string]*eventlogtest.Env{"plaintext": eventlogtest.Start(t), "both": eventlogtest.StartTLS(t, true)} {
		warehouse(t, env)
		dir := t.TempDir()
		must(t, os.MkdirAll(filepath.Join(dir, "keys"), 0o700))
		must(t, os.WriteFile(filepath.Join(dir, "keys", "press.password"), []byte(eventlogtest.PressPassword+"\n"), 0o600))
		line := `{"plant":"rhein","press":"p1","slice":{"from":"2026-06-01T06:00:00Z","to":"2026-06-01T06:01:00Z","state":"STATE_PRODUCTION","job":"J1","ratedMmPerMin":"100000","goodMm":"90000"}}` + "\n"
		in := filepath.Join(dir, "in.jsonl")
		must(t, os.WriteFile(in, []byte(line), 0o600))
		var out bytes.Buffer
		if code := run(t.Context(), []string{"--data-dir", dir, "--nats", env.Server.URL(), "--press", "rhein/p1", "--source", in}, strings.NewReader(""), &out, &out); code != 0 || !strings.Contains(out.String(), "accepted 1") {
			t.Errorf("%s: %d %s", name, code, out.String())
		}
	}
}
