//go:build unix

package main

import (
	"fmt"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
)

// tenures is how often an ingest has taken the lease, by its log.
func tenures(p *part) int { return strings.Count(p.log(), "lease taken") }

// A second ingest waits beside the first, in a process of its own, on the same log and the same engine. The first is
// killed: the second works within 10 s. The one that works is stopped (SIGSTOP) beyond its lease in the middle of
// load, and the other takes over; when it wakes it finds itself shut out and stands by, and nothing is lost, counted
// twice, or numbered into the past. The projector is under the same lease.
func TestStandby(t *testing.T) {
	longOnly(t)
	t.Parallel()
	a := newApart(t)
	in := newInput(t, 20_000)
	a.startNATS()
	a.startEngine()
	ingest := func(name string) *part { return a.part(name, a.natsConfig(1)+a.dsn, "ingest") }
	one, two := ingest("one").start(), ingest("two")
	a.within(60*time.Second, "one works", func() bool { return tenures(one) == 1 })
	two.start()
	a.startAPI(1)
	for _, p := range in.plants {
		if code, _, errs := a.ask("registry", "apply", p); code != 0 {
			t.Fatal(errs)
		}
	}
	agent := a.agent(in.presses, in.file).start()
	var rest atomic.Bool
	fed := in.feed(t, max(1, len(in.lines)/4000), &rest) // lasts 80 s at least
	a.within(30*time.Second, "events are stored", func() bool { return a.events() > 1000 })
	a.within(30*time.Second, "two waits", func() bool { return strings.Contains(two.log(), "waiting for the lease") })

	one.kill()
	took := a.within(20*time.Second, "two has the lease", func() bool { return tenures(two) == 1 })
	n := a.events()
	took += a.within(20*time.Second, "two stores", func() bool { return a.events() > n })
	t.Logf("kill -9: the standby stores after %v", took.Round(10*time.Millisecond))
	if took > 10*time.Second {
		t.Errorf("the standby took %v, want at most 10 s", took)
	}
	one.start()
	a.within(20*time.Second, "one waits", func() bool { return strings.Count(one.log(), "waiting for the lease") >= 1 })

	active, other := two, one
	for i := range 2 {
		had := tenures(other)
		active.signal(syscall.SIGSTOP)
		took := a.within(20*time.Second, "the other has the lease", func() bool { return tenures(other) == had+1 })
		n := a.events()
		lease := took
		took += a.within(20*time.Second, "the other stores", func() bool { return a.events() > n })
		t.Logf("SIGSTOP %d: the standby has the lease after %v and stores after %v", i+1, lease.Round(10*time.Millisecond), took.Round(10*time.Millisecond))
		if took > 10*time.Second {
			t.Errorf("the standby took %v, want at most 10 s", took)
		}
		// Rows as of now: the sleeper must not put any under a number that has been answered for.
		pos := a.sql("SELECT max(pos) FROM downweb.events")
		count := fmt.Sprintf("SELECT count(), sum(sipHash64(plant, press, epoch, seq, good_mm)) FROM downweb.events FINAL WHERE pos <= %s", pos)
		before := a.sql(count)
		ended := strings.Count(active.log(), "lease ended")
		active.signal(syscall.SIGCONT)
		a.within(20*time.Second, "the sleeper notices", func() bool { return strings.Count(active.log(), "lease ended") > ended })
		time.Sleep(time.Second)
		if after := a.sql(count); after != before {
			t.Errorf("as of pos %s there were %s, after the sleeper woke %s", pos, before, after)
		}
		if tenures(other) != had+1 || strings.Count(other.log(), "another writer has taken over") > 0 {
			t.Error("the sleeper disturbed the one that works")
		}
		active, other = other, active
	}
	rest.Store(true)
	<-fed
	a.finish(in, agent)
	// No number was given twice: what an insert stores comes from one writer and was cut once.
	if got := a.sql("SELECT count() FROM (SELECT pos, uniqExact(toYYYYMM(occurred_at)) AS months FROM downweb.events GROUP BY pos HAVING months > 1)"); got != "0" {
		t.Errorf("%s insert numbers stand for more than one insert", got)
	}
}
