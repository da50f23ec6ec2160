package logserver

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/enrol"
	"github.com/downweb/downweb/services/eventlog/presskeys"
)

const (
	// keysSubject carries the whole list between the servers of a cluster, in
	// the core account; without a list it asks the others for theirs.
	keysSubject = "dw.keys"
	lookEvery   = 500 * time.Millisecond
	tellEvery   = 30 * time.Second
	// A server that has just started asks at every look for as long: its routes
	// may not stand at once.
	askFor = 10 * time.Second
)

// doorkeeper answers devices that want to enrol, loads the users again when the
// list of keys has changed, whoever changed it, and keeps the lists of a
// cluster's servers the same.
type doorkeeper struct {
	s   *Server
	srv *server.Server
	nc  *nats.Conn

	mu     sync.Mutex // of what follows, and of loading
	loaded string     // the configuration that the server runs with
}

// keep runs until ctx ends.
func (s *Server) keep(ctx context.Context, srv *server.Server, loaded string) error {
	nc, err := nats.Connect("", nats.InProcessServer(srv), nats.UserInfo(eventlog.UserCore, s.cfg.CorePassword), nats.Name("keys"),
		nats.MaxReconnects(-1), nats.ReconnectWait(time.Second), nats.IgnoreAuthErrorAbort(), nats.NoEcho())
	if err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	defer nc.Close()
	d := &doorkeeper{s: s, srv: srv, nc: nc, loaded: loaded}
	log := s.cfg.Log
	if _, err := nc.QueueSubscribe(enrol.SubjectPrefix+"*", "enrol", d.answer); err != nil {
		return fmt.Errorf("keys: %w", err)
	}
	clustered := s.cfg.Cluster.Listen != ""
	if clustered {
		if _, err := nc.Subscribe(keysSubject, d.hear); err != nil {
			return fmt.Errorf("keys: %w", err)
		}
	}
	began := time.Now()
	look, told, stamp := time.NewTicker(lookEvery), time.Time{}, s.cfg.Keys.Stamp()
	defer look.Stop()
	for {
		now := s.cfg.Keys.Stamp()
		if changed := now != stamp; changed || time.Since(told) > tellEvery {
			if err := d.load(); err != nil { // also without a change: tokens end
				log.Error("press keys are not loaded, the ones of before hold", "err", err)
			}
			if clustered {
				d.tell()
			}
			stamp, told = now, time.Now()
		}
		if clustered && time.Since(began) < askFor {
			_ = nc.Publish(keysSubject, nil) // asked again soon
		}
		select {
		case <-ctx.Done():
			return nil
		case <-look.C:
		}
	}
}

// load the users again, if they are others than before.
func (d *doorkeeper) load() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	opts, text, err := d.s.options()
	if err != nil {
		return err
	}
	if text == d.loaded {
		return nil
	}
	if err := d.srv.ReloadOptions(opts); err != nil {
		return fmt.Errorf("reload: %w", err)
	}
	d.loaded = text
	d.s.reloads.Add(1)
	d.s.cfg.Log.Info("press keys loaded")
	return nil
}

// tell the other servers of the cluster the whole list, in pieces that a
// message holds.
func (d *doorkeeper) tell() {
	list, err := d.s.cfg.Keys.Read()
	if err != nil {
		return // load has said so
	}
	const piece = 200
	for len(list) > 0 {
		n := min(piece, len(list))
		if text, err := json.Marshal(list[:n]); err == nil && len(text) <= eventlog.MaxPayload {
			_ = d.nc.Publish(keysSubject, text) // told again soon
		} else if n == 1 {
			d.s.cfg.Log.Error("a press key serves too many presses to be told to the other servers", "id", list[0].ID)
		} else {
			for i := range n {
				if text, err := json.Marshal(list[i : i+1]); err == nil {
					_ = d.nc.Publish(keysSubject, text)
				}
			}
		}
		list = list[n:]
	}
}

func (d *doorkeeper) hear(m *nats.Msg) {
	if len(m.Data) == 0 {
		d.tell()
		return
	}
	var list []presskeys.Entry
	if json.Unmarshal(m.Data, &list) != nil {
		return
	}
	changed, err := d.s.cfg.Keys.Merge(list)
	if err != nil {
		d.s.cfg.Log.Error("press keys of another server are not taken over", "err", err)
	}
	if changed {
		if err := d.load(); err != nil {
			d.s.cfg.Log.Error("press keys are not loaded, the ones of before hold", "err", err)
		}
	}
}

// answer a device. The subject is the word of the server that the token's
// secret was right: only its user may publish there.
func (d *doorkeeper) answer(m *nats.Msg) {
	id := strings.TrimPrefix(m.Subject, enrol.SubjectPrefix)
	log := d.s.cfg.Log
	var reply enrol.Reply
	r, err := enrol.ReadRequest(id, m.Data)
	if err == nil {
		var e presskeys.Entry
		if e, err = d.s.cfg.Keys.Use(id, r.Key, r.Device, time.Now()); err == nil {
			if err = d.load(); err == nil {
				reply.Presses = e.Presses
				log.Info("device enrolled", "token", id, "device", r.Device, "key", r.Key, "presses", strings.Join(e.Presses, ","))
				if d.s.cfg.Cluster.Listen != "" {
					d.tell()
				}
			}
		}
	}
	if err != nil {
		log.Warn("device not enrolled", "token", id, "device", r.Device, "err", err)
		d.s.enrolRefused.Add(1)
		reply.Error = "the key could not be stored; see the server's log"
		for _, known := range []error{presskeys.ErrUsed, presskeys.ErrExpired, presskeys.ErrRevoked, presskeys.ErrUnknown, presskeys.ErrKnown} {
			if errors.Is(err, known) {
				reply.Error = known.Error()
			}
		}
	}
	text, err := json.Marshal(reply)
	if err != nil {
		return // strings can always be written
	}
	_ = m.Respond(text) // a lost answer is asked for again
}
