package eventlog_test

import (
	"context"
	"crypto/tls"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"

	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/enrol"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
	"github.com/downweb/downweb/services/eventlog/logserver"
	"github.com/downweb/downweb/services/eventlog/presskeys"
)

// device enrols at a server for presses and gives its identity.
func device(t *testing.T, env *eventlogtest.Env, presses ...string) *enrol.Identity {
	t.Helper()
	i, err := enrol.Enrol(limited(t), t.TempDir(), token(t, env, time.Hour, presses...), "box")
	if err != nil {
		t.Fatal(err)
	}
	return i
}

// token makes one and waits until the server knows it.
func token(t *testing.T, env *eventlogtest.Env, good time.Duration, presses ...string) enrol.Token {
	t.Helper()
	e, secret, err := env.Keys.NewToken(presses, good, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	tok := enrol.Token{ID: e.ID, Secret: secret, Server: env.Server.URL(), Pins: env.Pins}
	within(t, 10*time.Second, "the server knows the token", func() bool {
		nc, err := eventlog.ConnectOnce(limited(t), tok.Server, enrol.User(tok.ID), tok.Secret, enrol.Inbox(tok.ID), eventlog.TLS{Pins: env.Pins})
		if err == nil {
			nc.Close()
		}
		return err == nil
	})
	return tok
}

// asKey connects with a device's key; denied receives what the server forbids.
func asKey(t *testing.T, env *eventlogtest.Env, i *enrol.Identity) (nc *nats.Conn, denied *heard) {
	t.Helper()
	denied = &heard{}
	nc, err := eventlog.ConnectPress(limited(t), env.Server.URL(), "", "device", nil, eventlog.WithKey([]byte(i.Seed)), eventlog.WithTLS(i.TLS()), eventlog.OnDenied(denied.add))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	return nc, denied
}

type heard struct {
	mu   sync.Mutex
	errs []error
}

func (h *heard) add(err error) { h.mu.Lock(); h.errs = append(h.errs, err); h.mu.Unlock() }
func (h *heard) with(text string) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, e := range h.errs {
		if strings.Contains(e.Error(), text) {
			return true
		}
	}
	return false
}

// TestEnrolOnce: a token is good once, until it expires, with its own secret;
// the device that used it may ask again; the list and the identity are for
// their owner alone, and no secret stands in the list.
func TestEnrolOnce(t *testing.T) {
	env, ctx := eventlogtest.Start(t), limited(t)
	tok := token(t, env, time.Hour, "rhein/p1")
	dir := t.TempDir()
	i, err := enrol.Enrol(ctx, dir, tok, "box 1")
	if err != nil {
		t.Fatal(err)
	}
	if len(i.Presses) != 1 || i.Presses[0] != "rhein/p1" {
		t.Fatalf("%v", i.Presses)
	}
	if kept, err := enrol.Load(dir); err != nil || kept.Key != i.Key || kept.Server != tok.Server {
		t.Fatalf("%+v %v", kept, err)
	}
	for _, f := range []string{enrol.IdentityFile(dir), env.Keys.File()} {
		if info, err := os.Stat(f); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v %v", f, info.Mode(), err)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "*")); len(left) != 1 {
		t.Errorf("left behind: %v", left)
	}
	text, err := os.ReadFile(env.Keys.File())
	if err != nil || strings.Contains(string(text), tok.Secret) || strings.Contains(string(text), i.Seed) || !strings.Contains(string(text), i.Key) {
		t.Errorf("the list: %v %s", err, text)
	}

	if _, err := enrol.Enrol(ctx, t.TempDir(), tok, "box 2"); !errors.Is(err, enrol.ErrRefused) || !strings.Contains(err.Error(), presskeys.ErrUsed.Error()) {
		t.Errorf("used twice: %v", err)
	}
	wrong := tok
	_, wrong.Secret = enrol.NewSecret()
	if _, err := enrol.Enrol(ctx, t.TempDir(), wrong, "x"); !errors.Is(err, enrol.ErrUnknownToken) {
		t.Errorf("wrong secret: %v", err)
	}
	wrong = tok
	wrong.ID, _ = enrol.NewSecret()
	if _, err := enrol.Enrol(ctx, t.TempDir(), wrong, "x"); !errors.Is(err, enrol.ErrUnknownToken) {
		t.Errorf("unknown: %v", err)
	}
	old := token(t, env, time.Nanosecond, "rhein/p1")
	if _, err := enrol.Enrol(ctx, t.TempDir(), old, "x"); !errors.Is(err, enrol.ErrRefused) || !strings.Contains(err.Error(), presskeys.ErrExpired.Error()) {
		t.Errorf("expired: %v", err)
	}

	// The answer was lost: the key was made and the server has it.
	again := token(t, env, time.Hour, "rhein/p2")
	dir = t.TempDir()
	if _, err := enrol.Enrol(ctx, dir, again, "box 3"); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(enrol.IdentityFile(dir), filepath.Join(dir, "press-"+again.ID+".json")); err != nil {
		t.Fatal(err)
	}
	if _, err := enrol.Enrol(ctx, dir, again, "box 3"); err != nil {
		t.Errorf("the same device again: %v", err)
	}

	withdrawn := token(t, env, time.Hour, "rhein/p3")
	if _, err := env.Keys.Revoke(withdrawn.ID, time.Now()); err != nil {
		t.Fatal(err)
	}
	if _, err := enrol.Enrol(ctx, t.TempDir(), withdrawn, "x"); err == nil {
		t.Error("a withdrawn token was taken")
	}
}

// TestTokenMayOnlyAsk: who holds a token sees nothing but the question.
func TestTokenMayOnlyAsk(t *testing.T) {
	env := eventlogtest.Start(t)
	tok, other := token(t, env, time.Hour, "rhein/p1"), token(t, env, time.Hour, "rhein/p2")
	nc, err := eventlog.ConnectOnce(limited(t), tok.Server, enrol.User(tok.ID), tok.Secret, enrol.Inbox(tok.ID), eventlog.TLS{})
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	for _, subject := range []string{eventlog.PressSubject("rhein", "p1"), "dw.mark.rhein.p1", "dw.due.rhein.p1", enrol.Subject(other.ID), "dw.keys", "$JS.API.INFO", "in.dw.v1.rhein.p1"} {
		if _, err := nc.Request(subject, []byte("{}"), 150*time.Millisecond); err == nil {
			t.Errorf("an answer on %s", subject)
		}
	}
	// A key that the asker does not hold is not enrolled.
	kp, _ := nkeys.CreateUser()
	public, _ := kp.PublicKey()
	m, err := nc.Request(enrol.Subject(tok.ID), []byte(`{"key":"`+public+`","device":"x","signature":"AAAA"}`), 5*time.Second)
	if err != nil || !strings.Contains(string(m.Data), "error") {
		t.Errorf("%v %v", m, err)
	}
	list, err := env.Keys.Read()
	if err != nil || len(list) != 2 || list[0].Key+list[1].Key != "" {
		t.Errorf("%+v %v", list, err)
	}
}

// TestKeyServesItsPressesAlone: a key publishes for its presses; for another's
// the server says no, and the connection hears of it. It reads no inbox but its
// own, and an answer forged towards another's subject or inbox arrives nowhere.
func TestKeyServesItsPressesAlone(t *testing.T) {
	env, ctx := eventlogtest.Start(t), limited(t)
	one, two := device(t, env, "rhein/p1", "rhein/p3"), device(t, env, "rhein/p2")
	nc1, denied := asKey(t, env, one)
	nc2, _ := asKey(t, env, two)
	js, err := jetstream.New(nc1)
	if err != nil {
		t.Fatal(err)
	}
	for _, press := range []string{"p1", "p3"} {
		if a, err := js.Publish(ctx, eventlog.PressSubject("rhein", press), []byte("frame"), jetstream.WithMsgID(press)); err != nil || a.Stream != eventlog.StreamPress {
			t.Fatalf("%s: %v %v", press, a, err)
		}
		f, err := js.PublishAsync(eventlog.PressSubject("rhein", press), []byte("frame"), jetstream.WithMsgID(press+"b"))
		if err != nil {
			t.Fatal(err)
		}
		select {
		case <-f.Ok():
		case err := <-f.Err():
			t.Fatal(err)
		case <-ctx.Done():
			t.Fatal("no acknowledgement")
		}
	}
	for _, subject := range append(eventlog.AgentSubjects("rhein", "p2"), "dw.v1.main.p1", "dw.enrol.0000000000000000", "dw.keys", "in.dw.v1.rhein.p1", "$JS.API.INFO") {
		if err := nc1.Publish(subject, []byte("x")); err != nil {
			t.Fatal(err)
		}
		within(t, 5*time.Second, "denied "+subject, func() bool { return denied.with(`Publish to "` + subject + `"`) })
	}
	for _, subject := range []string{"_INBOX.>", eventlog.KeyInbox(two.Key) + ".>", ">", "dw.>", "_INBOX_enrol_0000000000000000.>"} {
		if _, err := nc1.SubscribeSync(subject); err != nil {
			t.Fatal(err)
		}
		within(t, 5*time.Second, "denied "+subject, func() bool { return denied.with(`Subscription to "` + subject + `"`) })
	}

	// Forged replies: the acknowledgement of a publish of one's own, sent to
	// where another is heard.
	var arrived atomic.Int64
	inbox2 := nc2.NewInbox()
	if _, err := nc2.Subscribe(inbox2, func(*nats.Msg) { arrived.Add(1 << 32) }); err != nil {
		t.Fatal(err)
	}
	targets := []string{"in.dw.v1.rhein.p2", "dw.v1.rhein.p2", "dw.mark.rhein.p2", "dw.due.rhein.p2", "dw.keys"}
	for _, subject := range targets {
		sub, err := env.Core.Subscribe(subject, func(*nats.Msg) { arrived.Add(1) })
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = sub.Unsubscribe() }()
	}
	if err := errors.Join(env.Core.Flush(), nc2.Flush()); err != nil {
		t.Fatal(err)
	}
	for _, reply := range targets {
		if err := errors.Join(nc1.PublishRequest("dw.v1.rhein.p1", reply, []byte("bait")), nc1.PublishRequest("dw.mark.rhein.p1", reply, []byte("bait"))); err != nil {
			t.Fatal(err)
		}
	}
	if err := nc1.Flush(); err != nil {
		t.Fatal(err)
	}
	time.Sleep(300 * time.Millisecond) // a forged answer would arrive by now
	s, err := env.JS.Stream(ctx, eventlog.StreamPress)
	if err != nil {
		t.Fatal(err)
	}
	info, err := s.Info(ctx, jetstream.WithSubjectFilter("in.>"))
	if err != nil {
		t.Fatal(err)
	}
	if len(info.State.Subjects) != 2 || info.State.Subjects["in.dw.v1.rhein.p1"] != 2+uint64(len(targets)) || info.State.Subjects["in.dw.v1.rhein.p3"] != 2 {
		t.Errorf("the stream holds %v", info.State.Subjects)
	}
	if n := arrived.Load(); n != 0 {
		t.Errorf("%d forged answers arrived", n)
	}
}

// TestRevokedKeyIsCutOff, at once and without a restart; others, the shared user
// among them, do not notice.
func TestRevokedKeyIsCutOff(t *testing.T) {
	env := eventlogtest.Start(t)
	one, two := device(t, env, "rhein/p1"), device(t, env, "rhein/p2")
	nc1, denied := asKey(t, env, one)
	nc2, _ := asKey(t, env, two)
	if _, err := env.Keys.Revoke(one.Key, time.Now()); err != nil {
		t.Fatal(err)
	}
	within(t, 10*time.Second, "cut off", func() bool { return !nc1.IsConnected() })
	within(t, 10*time.Second, "and told why", func() bool { return denied.with("uthorization") })
	time.Sleep(time.Second) // it tries to come back
	if nc1.IsConnected() {
		t.Error("a revoked key came back")
	}
	for name, nc := range map[string]*nats.Conn{"another key": nc2, "the shared user": env.Press, "core": env.Core} {
		if !nc.IsConnected() || nc.Stats().Reconnects != 0 {
			t.Errorf("%s was disturbed: %d reconnects", name, nc.Stats().Reconnects)
		}
	}
	env.Restart()
	within(t, 15*time.Second, "the other key after a restart", func() bool { return nc2.IsConnected() })
	if nc1.IsConnected() {
		t.Error("a revoked key came back after a restart")
	}
}

// TestWithoutTheSharedUser: it can be switched off; keys work.
func TestWithoutTheSharedUser(t *testing.T) {
	keys := presskeys.New(t.TempDir())
	kp, _ := nkeys.CreateUser()
	seed, _ := kp.Seed()
	public, _ := kp.PublicKey()
	if _, err := keys.AddKey([]string{"rhein/p1"}, public, "x", time.Now()); err != nil {
		t.Fatal(err)
	}
	if _, err := keys.AddKey([]string{"rhein/p1"}, public, "x", time.Now()); !errors.Is(err, presskeys.ErrKnown) {
		t.Errorf("the same key again: %v", err)
	}
	s := logserver.New(logserver.Config{StoreDir: t.TempDir(), CorePassword: "a", Keys: keys})
	ctx, stop := context.WithCancel(limited(t))
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	<-s.Ready()
	for _, secret := range []string{"", "press", "a"} {
		if nc, err := nats.Connect(s.URL(), nats.UserInfo(eventlog.UserPress, secret)); err == nil {
			nc.Close()
			t.Errorf("the shared user came in with %q", secret)
		}
	}
	nc, err := eventlog.ConnectPress(ctx, s.URL(), "", "x", nil, eventlog.WithKey(seed))
	if err != nil {
		t.Fatal(err)
	}
	nc.Close()
	stop()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

// TestPinnedCertificate: TLS 1.3 with a self-signed certificate that is known by
// its fingerprint alone; another's is refused, so is plaintext, and TLS 1.2.
func TestPinnedCertificate(t *testing.T) {
	env := eventlogtest.StartTLS(t, false)
	ctx := limited(t)
	i := device(t, env, "rhein/p1")
	nc, _ := asKey(t, env, i)
	if s, err := nc.TLSConnectionState(); err != nil || s.Version != tls.VersionTLS13 {
		t.Errorf("%+v %v", s.Version, err)
	}
	tok := token(t, env, time.Hour, "rhein/p2")
	tok.Pins = []string{strings.Repeat("0", 64)}
	if _, err := enrol.Enrol(ctx, t.TempDir(), tok, "x"); !errors.Is(err, eventlog.ErrNotPinned) {
		t.Errorf("another certificate: %v", err)
	}
	try := func(opts ...nats.Option) error {
		nc, err := nats.Connect(env.Server.URL(), append(opts, nats.UserInfo(eventlog.UserPress, eventlogtest.PressPassword))...)
		if err == nil {
			nc.Close()
		}
		return err
	}
	if err := try(); err == nil {
		t.Error("connected without knowing the certificate")
	}
	if err := try(nats.Secure(&tls.Config{InsecureSkipVerify: true, MaxVersion: tls.VersionTLS12})); err == nil {
		t.Error("connected by TLS 1.2")
	}
	if err := try(nats.RootCAs(env.CertFile)); err != nil {
		t.Errorf("known by a CA file: %v", err)
	}
	// A server that speaks in the clear is refused by who wants TLS.
	plain := eventlogtest.Start(t)
	if _, err := eventlog.ConnectOnce(ctx, plain.Server.URL(), eventlog.UserPress, eventlogtest.PressPassword, "_INBOX", eventlog.TLS{Pins: env.Pins, Required: true}); !errors.Is(err, nats.ErrSecureConnWanted) {
		t.Errorf("plaintext: %v", err)
	}
}

// TestOldAgentInTheClear: where the config allows plaintext, a client that knows
// no certificate still gets in beside those who do.
func TestOldAgentInTheClear(t *testing.T) {
	env := eventlogtest.StartTLS(t, true)
	nc, err := nats.Connect(env.Server.URL(), nats.UserInfo(eventlog.UserPress, eventlogtest.PressPassword))
	if err != nil {
		t.Fatal(err)
	}
	nc.Close()
	i := device(t, env, "rhein/p1")
	key, _ := asKey(t, env, i)
	if s, err := key.TLSConnectionState(); err != nil || s.Version != tls.VersionTLS13 {
		t.Errorf("%v", err)
	}
}

// TestEnrolInCluster: three servers over TLS, routes too. A token made on the
// first lets a device in at the third; its key works at the second, and is cut
// off there when the first revokes it; a server that was away learns it all.
func TestEnrolInCluster(t *testing.T) {
	c, known := eventlogtest.StartClusterTLS(t)
	ctx := limited(t)
	e, secret, err := c.Keys[0].NewToken([]string{"rhein/p1"}, time.Hour, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	tok := enrol.Token{ID: e.ID, Secret: secret, Server: c.URLs[2], Pins: known.Pins}
	dir := t.TempDir()
	var i *enrol.Identity
	within(t, 20*time.Second, "the third server knows the token", func() bool {
		i, err = enrol.Enrol(ctx, dir, tok, "box")
		return err == nil
	})
	c.Stop(0)
	at := func(n int) *nats.Conn {
		t.Helper()
		nc, err := eventlog.ConnectPress(ctx, c.URLs[n], "", "x", nil, eventlog.WithKey([]byte(i.Seed)), eventlog.WithTLS(known))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(nc.Close)
		return nc
	}
	nc := at(1)
	within(t, 20*time.Second, "the second has learnt the key and revokes it", func() bool {
		_, err := c.Keys[1].Revoke(i.Key, time.Now())
		if err != nil && !errors.Is(err, presskeys.ErrUnknown) {
			t.Fatal(err)
		}
		return err == nil
	})
	within(t, 10*time.Second, "cut off at the second", func() bool { return !nc.IsConnected() })
	c.Start(0)
	within(t, 20*time.Second, "the first has learnt it", func() bool {
		list, err := c.Keys[0].Read()
		return err == nil && len(list) == 1 && list[0].Key == i.Key && !list[0].Revoked.IsZero()
	})
	short, cancel := context.WithTimeout(ctx, time.Second)
	defer cancel()
	if nc, err := eventlog.ConnectPress(short, c.URLs[0], "", "x", nil, eventlog.WithKey([]byte(i.Seed)), eventlog.WithTLS(known)); err == nil {
		nc.Close()
		t.Error("the revoked key came in at the first")
	}
}

func TestRemote(t *testing.T) {
	for urls, want := range map[string]bool{"nats://127.0.0.1:1": false, "nats://localhost:1,tls://[::1]:2": false, "127.0.0.1:7712": false, "": false,
		"nats://127.0.0.1:1,nats://10.0.0.1:2": true, "0.0.0.0:7712": true, "nats://press-hall:7712": true, ":7712": true} {
		if got := eventlog.Remote(urls); got != want {
			t.Errorf("%q: %v", urls, got)
		}
	}
}
