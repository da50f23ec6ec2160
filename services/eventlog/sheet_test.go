package eventlog_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/eventlogtest"
)

// TestSheets: an agent's question reaches the core account and its answer
// comes back; nobody there, a refusal and a forged answer are told apart.
func TestSheets(t *testing.T) {
	env := eventlogtest.Start(t)
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	press, err := eventlog.ConnectPress(ctx, env.Server.URL(), eventlogtest.PressPassword, "agent", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer press.Close()
	if _, err := eventlog.AskSheet(ctx, press, "linden", "p1"); !errors.Is(err, eventlog.ErrNoAnswer) {
		t.Fatal(err)
	}
	sub, err := eventlog.ServeSheets(ctx, env.Core, func(_ context.Context, plant, press string) (*pb.PressSheet, error) {
		if press == "p9" {
			return nil, errors.New("the registry does not know linden/p9")
		}
		return &pb.PressSheet{Press: plant + "/" + press, Zone: "Europe/Berlin"}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = sub.Unsubscribe() }()
	if err := env.Core.Flush(); err != nil {
		t.Fatal(err)
	}
	s, err := eventlog.AskSheet(ctx, press, "linden", "p1")
	if err != nil || s.Press != "linden/p1" || s.Zone != "Europe/Berlin" {
		t.Fatal(s, err)
	}
	if _, err := eventlog.AskSheet(ctx, press, "linden", "p9"); err == nil || !strings.Contains(err.Error(), "does not know linden/p9") {
		t.Fatal(err)
	}
}
