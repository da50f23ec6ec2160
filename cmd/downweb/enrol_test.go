package main

import (
	"bytes"
	"context"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/enrol"
)

// Where other machines reach the log server it has a certificate, made once; on loopback it has none unless told.
func TestConfigTLS(t *testing.T) {
	load := func(yaml string) *Config {
		t.Helper()
		c, err := testApp(t, yaml).loadConfig(nil)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	c := load("")
	if s, err := c.serverTLS(); err != nil || s.CertFile != "" {
		t.Errorf("loopback: %+v %v", s, err)
	}
	if l, err := c.logTLS("nats://127.0.0.1:7712"); err != nil || l.Required || l.Pins != nil {
		t.Errorf("loopback: %+v %v", l, err)
	}
	if l, _ := c.logTLS("nats://10.0.0.1:7712"); !l.Required {
		t.Error("another machine in the clear, and nothing in the config says so")
	}
	for _, yaml := range []string{"nats: {listen: 10.0.0.1:7712}", "nats: {listen: \":7712\"}", "nats: {cluster: {node: n1, listen: 10.0.0.1:7713, routes: [10.0.0.2:7713]}}"} {
		c := load(yaml)
		s, err := c.serverTLS()
		if err != nil || s.CertFile == "" || s.AllowPlain {
			t.Fatalf("%s: %+v %v", yaml, s, err)
		}
		first, err := os.ReadFile(s.CertFile)
		if err != nil {
			t.Fatal(err)
		}
		if info, err := os.Stat(s.CertFile); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("mode %v %v", info.Mode(), err)
		}
		if _, err := c.serverTLS(); err != nil {
			t.Fatal(err)
		}
		if again, _ := os.ReadFile(s.CertFile); !bytes.Equal(again, first) {
			t.Error("made twice")
		}
		pins, err := eventlog.Fingerprints(s.CertFile)
		if l, e := c.logTLS("nats://10.0.0.1:7712"); err != nil || e != nil || !slices.Equal(l.Pins, pins) || !l.Required {
			t.Errorf("%+v, want %v: %v %v", l, pins, err, e)
		}
		url, p, plain, err := c.tokenServer("")
		if err != nil || !strings.HasPrefix(url, "tls://") || !slices.Equal(p, pins) || plain {
			t.Errorf("token: %s %v %v %v", url, p, plain, err)
		}
	}
	if s, _ := load("nats: {listen: 10.0.0.1:7712, plaintext: true}").serverTLS(); s.CertFile == "" || !s.AllowPlain {
		t.Errorf("plaintext beside TLS: %+v", s)
	}
	if l, _ := load("nats: {plaintext: true}").logTLS("nats://10.0.0.1:7712"); l.Required {
		t.Error("the config allows plaintext")
	}
	url, _, plain, err := load(`nats: {url: "nats://10.0.0.1:1,nats://10.0.0.2:2", plaintext: true}`).tokenServer("")
	if err != nil || url != "nats://10.0.0.1:1,nats://10.0.0.2:2" || !plain {
		t.Errorf("%s %v %v", url, plain, err)
	}
}

// The commands themselves: a token from one process lets a device in at a server that runs as another, over TLS; list
// says so; revoke cuts it off; and the server warns of no password.
func TestConfigEnrolCommands(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := ln.Addr().String()
	ln.Close()
	dir := t.TempDir()
	pem := filepath.Join(dir, "server.pem")
	c, err := testApp(t, "nats: {listen: "+addr+"}").loadConfig(nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.makeCert(pem); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "downweb.yaml"), []byte("nats: {listen: \""+addr+"\", tls: {cert: "+pem+", key: "+pem+"}, shared_user: false}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	var said textBuffer
	ended := make(chan int, 1)
	go func() {
		ended <- run(ctx, os.Environ(), []string{"nats", "--data-dir", dir}, strings.NewReader(""), &said, &said)
	}()
	defer func() {
		stop()
		if code := <-ended; code != 0 {
			t.Errorf("the server: exit %d\n%s", code, said.String())
		}
	}()
	for end := time.Now().Add(30 * time.Second); !strings.Contains(said.String(), "ready"); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal(said.String())
		}
	}
	ask := func(args ...string) (string, string, int) {
		var out, errs bytes.Buffer
		code := run(t.Context(), os.Environ(), append(args, "--data-dir", dir), strings.NewReader(""), &out, &errs)
		return out.String(), errs.String(), code
	}
	if _, errs, code := ask("enrol", "p1"); code != 2 || !strings.Contains(errs, "plant/press") {
		t.Errorf("%d %s", code, errs)
	}
	if _, errs, code := ask("enrol", "rhein/p1", "--expires", "100d"); code != 2 || !strings.Contains(errs, "--expires") {
		t.Errorf("%d %s", code, errs)
	}
	out, errs, code := ask("enrol", "rhein/p1", "rhein/p2")
	if code != 0 || strings.Count(out, "\n") != 1 || !strings.Contains(errs, "good once") {
		t.Fatalf("%d %s %s", code, out, errs)
	}
	tok, err := enrol.ParseToken(out)
	if err != nil || tok.Server != "tls://"+addr || len(tok.Pins) != 1 {
		t.Fatalf("%+v %v", tok, err)
	}
	var i *enrol.Identity
	keys := t.TempDir()
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(50 * time.Millisecond) { // the server looks twice a second
		if i, err = enrol.Enrol(t.Context(), keys, tok, "box"); err == nil {
			break
		}
		if time.Now().After(end) {
			t.Fatal(err, said.String())
		}
	}
	if !slices.Equal(i.Presses, []string{"rhein/p1", "rhein/p2"}) {
		t.Errorf("%v", i.Presses)
	}
	if out, _, _ := ask("enrol", "list"); !strings.Contains(out, "enrolled") || !strings.Contains(out, i.Key) || !strings.Contains(out, "box") {
		t.Errorf("%s", out)
	}
	if out, _, _ := ask("enrol", "list", "-o", "json"); !strings.Contains(out, `"state": "enrolled"`) || strings.Contains(out, "secret") {
		t.Errorf("%s", out)
	}
	nc, err := eventlog.ConnectPress(t.Context(), tok.Server, "", "x", nil, eventlog.WithKey([]byte(i.Seed)), eventlog.WithTLS(i.TLS()))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	if out, errs, code := ask("enrol", "revoke", "rhein/p2"); code != 0 || !strings.Contains(out, i.Key) {
		t.Errorf("%d %s %s", code, out, errs)
	}
	for end := time.Now().Add(10 * time.Second); nc.IsConnected(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("a revoked key stays connected")
		}
	}
	if _, _, code := ask("enrol", "revoke", "rhein/p2"); code != 1 {
		t.Errorf("revoked twice: exit %d", code)
	}
	// The shared user is off.
	secret, err := password(filepath.Join(dir, "keys"), keyPress)
	if err != nil {
		t.Fatal(err)
	}
	if nc, err := nats.Connect(tok.Server, nats.UserInfo(eventlog.UserPress, secret), nats.RootCAs(pem)); err == nil {
		nc.Close()
		t.Error("the shared user came in")
	}
	if text := said.String(); strings.Contains(text, "Plaintext passwords") || !strings.Contains(text, tok.Pins[0]) {
		t.Errorf("the log:\n%s", text)
	}
}

// textBuffer is written by one goroutine and read by another.
type textBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (t *textBuffer) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.b.Write(p)
}

func (t *textBuffer) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.b.String()
}
