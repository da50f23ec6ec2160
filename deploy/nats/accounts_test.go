// Package nats_test loads the example of accounts into a NATS server.
package nats_test

import (
	"context"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"
	"golang.org/x/crypto/bcrypt"
)

// TestAccounts: the example as it stands is loaded; with a key and a password
// put in, that key publishes for its press alone.
func TestAccounts(t *testing.T) {
	text, err := os.ReadFile("accounts.conf")
	if err != nil {
		t.Fatal(err)
	}
	if err := (&server.Options{}).ProcessConfigString(string(text)); err != nil {
		t.Fatal(err)
	}
	kp, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	public, err := kp.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	hash, err := bcrypt.GenerateFromPassword([]byte("core"), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	own := regexp.MustCompile(`U[A-Z2-7]{55}`).ReplaceAllString(string(text), public)
	own = regexp.MustCompile(`user: core, password: "[^"]*"`).ReplaceAllLiteralString(own, `user: core, password: "`+string(hash)+`"`)
	opts := &server.Options{}
	if err := opts.ProcessConfigString(own); err != nil {
		t.Fatal(err)
	}
	opts.Host, opts.Port, opts.NoSigs, opts.NoLog, opts.JetStream, opts.StoreDir = "127.0.0.1", server.RANDOM_PORT, true, true, true, t.TempDir()
	s, err := server.NewServer(opts)
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	defer func() { s.Shutdown(); s.WaitForShutdown() }()
	if !s.ReadyForConnections(20 * time.Second) {
		t.Fatal("not ready")
	}
	core, err := nats.Connect(s.ClientURL(), nats.UserInfo("core", "core"))
	if err != nil {
		t.Fatal(err)
	}
	defer core.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	cjs, err := jetstream.New(core)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := cjs.CreateStream(ctx, jetstream.StreamConfig{Name: "PRESS", Subjects: []string{"in.dw.v1.*.*"}}); err != nil {
		t.Fatal(err)
	}
	denied := make(chan string, 10)
	nc, err := nats.Connect(s.ClientURL(), nats.Nkey(public, kp.Sign), nats.CustomInboxPrefix("_INBOX_"+public),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { denied <- err.Error() }))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	if a, err := js.Publish(ctx, "dw.v1.rhein.p1", []byte("frame")); err != nil || a.Stream != "PRESS" {
		t.Fatalf("%v %v", a, err)
	}
	for _, subject := range []string{"dw.v1.rhein.p2", "dw.mark.rhein.p2", "in.dw.v1.rhein.p1", "$JS.API.INFO"} {
		if err := nc.Publish(subject, nil); err != nil {
			t.Fatal(err)
		}
		select {
		case said := <-denied:
			if !strings.Contains(said, subject) {
				t.Errorf("%s: %s", subject, said)
			}
		case <-ctx.Done():
			t.Fatalf("%s was allowed", subject)
		}
	}
}
