package agent

import (
	"errors"
	"fmt"
	"time"

	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/ops"
)

// RegisterMetrics adds what the agent counts and how far each press is.
func (a *Agent) RegisterMetrics(m *ops.Metrics) {
	eventlog.RegisterConnMetrics(m)
	count := func(name, help string, f func(Status) uint64) {
		m.Count("downweb_agent_"+name, help, func() uint64 { return f(a.Status()) })
	}
	gauge := func(name, help string, f func(Status) float64) {
		m.Gauge("downweb_agent_"+name, help, func() float64 { return f(a.Status()) })
	}
	flag := func(name, help string, f func(Status) bool) {
		gauge(name, help, func(s Status) float64 {
			if f(s) {
				return 1
			}
			return 0
		})
	}
	count("accepted_total", "Events taken in and on disk.", func(s Status) uint64 { return s.Accepted })
	count("refused_total", "Lines refused.", func(s Status) uint64 { return s.Refused })
	count("known_total", "Events that were known already.", func(s Status) uint64 { return s.Duplicates })
	count("publish_retries_total", "Publishes tried again.", func(s Status) uint64 { return s.Retries })
	count("epochs_begun_total", "New epochs begun because the spool was a copy.", func(s Status) uint64 { return s.Rolls })
	gauge("lost_events", "Events in damaged spool blocks of this epoch.", func(s Status) float64 { return float64(s.Lost) })
	gauge("spool_bytes", "Bytes of events held on disk.", func(s Status) float64 { return float64(s.SpoolBytes) })
	gauge("spool_limit_bytes", "Most bytes of events that may be held.", func(s Status) float64 { return float64(s.SpoolMax) })
	flag("spool_full", "1 while the spool is full and reading has stopped.", func(s Status) bool { return s.Full })
	flag("connected", "1 while the log server is reached.", func(s Status) bool { return s.Connected })
	count("denied_total", "Times that the log server said: this agent may not. Another press than its own, a revoked key, a wrong password.", func(s Status) uint64 { return s.Denied })
	flag("unproven", "1 while new events wait for the warehouse's first answer.", func(s Status) bool { return s.Unproven })
	flag("clock_alarm", "1 while the clock is more than two seconds from the server's.", func(s Status) bool { return s.ClockAlarm })
	gauge("clock_offset_seconds", "The server's clock less the agent's.", func(s Status) float64 { return s.ClockOffset.Seconds() })
	each := func(name, help string, f func(PressStatus) uint64) {
		m.GaugeEach("downweb_agent_"+name, help, []string{"press"}, func(give func(float64, ...string)) {
			for _, p := range a.Status().Presses {
				give(float64(f(p)), p.Press)
			}
		})
	}
	each("press_taken_seq", "Last sequence number taken in, of the spool's epoch.", func(p PressStatus) uint64 { return p.Last })
	each("press_sent_seq", "Last sequence number the log has acknowledged.", func(p PressStatus) uint64 { return p.Published })
	each("press_confirmed_seq", "Last sequence number the warehouse has confirmed.", func(p PressStatus) uint64 { return p.Confirmed })
	each("press_waiting_events", "Events not yet confirmed.", func(p PressStatus) uint64 { return p.Last - min(p.Last, p.Confirmed) })
	each("press_spool_bytes", "Bytes of the press's events held on disk.", func(p PressStatus) uint64 { return uint64(p.SpoolBytes) })
}

// Ready says why the agent cannot do its whole work at the moment, or nil.
func (a *Agent) Ready() error {
	a.mu.Lock()
	running := a.sp != nil
	a.mu.Unlock()
	switch s := a.Status(); {
	case !running:
		return errors.New("agent: not running")
	case s.Full:
		return errors.New("agent: the spool is full")
	case s.DeniedNow(time.Now()):
		return fmt.Errorf("agent: the log server refuses it: %s", s.LastDenied)
	case !s.Connected:
		return errors.New("agent: the log server is away")
	case s.OldCopy:
		return errors.New("agent: the spool is an older copy; a new epoch is about to begin")
	}
	return nil
}
