package agent

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"time"
)

// State is what an agent leaves in a file for others to read.
type State struct {
	Name    string    `json:"name"`
	PID     int       `json:"pid"`
	Written time.Time `json:"written"`
	Running bool      `json:"running"`
	Status  Status    `json:"status"`
}

// StateFile of an agent in the directory of running things.
func StateFile(dir, name string) string { return filepath.Join(dir, "agent-"+name+".json") }

// KeepState writes the agent's state to dir within 250 ms of a change, and
// every two seconds without one. Stop ends that, writes the last state, and
// returns it.
func KeepState(ctx context.Context, dir, name string, a *Agent, log *slog.Logger) (stop func() Status) {
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan struct{})
	var last Status
	var written time.Time
	failing := false
	write := func(running bool) {
		s := a.Status()
		if len(s.Presses) == 0 { // before Run
			s = last
		}
		if running && time.Since(written) < 2*time.Second && reflect.DeepEqual(s, last) {
			return
		}
		last, written = s, time.Now()
		err := writeState(StateFile(dir, name), State{Name: name, PID: os.Getpid(), Written: time.Now().UTC(), Running: running, Status: last})
		if err != nil && !failing {
			log.Warn("write the agent's status", "err", err)
		}
		failing = err != nil
	}
	go func() {
		defer close(done)
		t := time.NewTicker(250 * time.Millisecond)
		defer t.Stop()
		for {
			select {
			case <-t.C:
				write(true)
			case <-ctx.Done():
				return
			}
		}
	}()
	return func() Status { cancel(); <-done; write(false); return last }
}

// writeState replaces the file whole. It is not synced: after a power cut it
// is old news anyway.
func writeState(path string, s State) error {
	text, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		return err
	}
	draft, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	defer func() { _ = os.Remove(draft.Name()) }()
	_, err = draft.Write(append(text, '\n'))
	if err := errors.Join(err, draft.Close()); err != nil {
		return err
	}
	return os.Rename(draft.Name(), path)
}

// ReadStates of all agents in dir, in name order.
func ReadStates(dir string) ([]State, error) {
	files, err := filepath.Glob(StateFile(dir, "*"))
	if err != nil {
		return nil, err
	}
	slices.Sort(files)
	var states []State
	for _, file := range files {
		var s State
		text, err := os.ReadFile(file)
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err == nil {
			err = json.Unmarshal(text, &s)
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", file, err)
		}
		states = append(states, s)
	}
	return states, nil
}
