package agent

import (
	"context"
	"time"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
	"github.com/downweb/downweb/services/eventlog"
)

// AskSheet asks the server for the sheet of a press of this agent and waits
// until ctx ends. It returns eventlog.ErrNoAnswer where there is no connection
// or nobody answers, and ErrNotRunning as Record does.
func (a *Agent) AskSheet(ctx context.Context, plant, press string) (*pb.PressSheet, error) {
	a.mu.Lock()
	nc, running := a.nc, a.sp != nil
	a.mu.Unlock()
	if !running {
		return nil, ErrNotRunning
	}
	if nc == nil || !nc.IsConnected() {
		return nil, eventlog.ErrNoAnswer
	}
	// A question that was on its way when the connection broke is never answered.
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	go func() {
		for nc.IsConnected() && sleep(ctx, 250*time.Millisecond) {
		}
		stop()
	}()
	s, err := eventlog.AskSheet(ctx, nc, plant, press)
	if err != nil && !nc.IsConnected() {
		return nil, eventlog.ErrNoAnswer
	}
	return s, err
}

// Pseudonym stands for a badge of a plant in this month; an empty badge stays
// empty. RecordPseudonymous takes it.
func (a *Agent) Pseudonym(plant, badge string) (string, error) {
	return eventlog.NewBadges(a.cfg.BadgeKeyDir).Pseudonym(plant, a.cfg.Clock(), badge)
}
