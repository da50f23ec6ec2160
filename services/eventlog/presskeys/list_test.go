package presskeys

import (
	"errors"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nkeys"
	"pgregory.net/rapid"

	"github.com/downweb/downweb/services/eventlog/enrol"
)

func publicKey(t testing.TB) string {
	t.Helper()
	kp, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	public, err := kp.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	return public
}

// TestOneOfManyWins: of many devices that use one token at once, one is let in;
// changes by many lists on one file, as by many processes, are all kept.
func TestOneOfManyWins(t *testing.T) {
	dir, now := t.TempDir(), time.Now()
	e, _, err := New(dir).NewToken([]string{"rhein/p2", "rhein/p1", "rhein/p1"}, time.Hour, now)
	if err != nil || strings.Join(e.Presses, " ") != "rhein/p1 rhein/p2" {
		t.Fatal(e, err)
	}
	var wg sync.WaitGroup
	var mu sync.Mutex
	won := 0
	for range 8 {
		key := publicKey(t)
		wg.Go(func() {
			l := New(dir)
			_, err := l.Use(e.ID, key, "x", now)
			mu.Lock()
			defer mu.Unlock()
			if err == nil {
				won++
			} else if !errors.Is(err, ErrUsed) {
				t.Error(err)
			}
		})
		wg.Go(func() {
			if _, _, err := New(dir).NewToken([]string{"rhein/p3"}, time.Hour, now); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	list, err := New(dir).Read()
	if err != nil || won != 1 || len(list) != 9 {
		t.Fatalf("%d won, %d entries, %v", won, len(list), err)
	}
	if _, err := New(dir).Use(list[1].ID, list[0].Key, "x", now); list[0].Key != "" && !errors.Is(err, ErrKnown) && !errors.Is(err, ErrUsed) {
		t.Errorf("one key by two tokens: %v", err)
	}
}

// TestMergeMeets: whatever order the servers of a cluster hear each other in,
// they end with the same list; what one has revoked is revoked; a token that
// two devices have used is nobody's.
func TestMergeMeets(t *testing.T) {
	keys := []string{"", publicKey(t), publicKey(t), publicKey(t)}
	base := time.Now().UTC().Truncate(time.Second)
	rapid.Check(t, func(rt *rapid.T) {
		entry := func(id byte) Entry {
			e := Entry{ID: strings.Repeat(string('0'+id), 16), Presses: []string{"rhein/p1"}, Created: base, Expires: base.Add(time.Hour)}
			if k := rapid.IntRange(0, 3).Draw(rt, "key"); k > 0 {
				e.Key, e.Device = keys[k], keys[k][:5]
				// Who enrolled with which key is one fact, so its time is, too.
				e.Enrolled = base.Add(time.Duration(k) * time.Minute)
			}
			if rapid.Bool().Draw(rt, "revoked") {
				e.Revoked = base.Add(time.Duration(rapid.IntRange(1, 9).Draw(rt, "at")) * time.Minute)
			}
			return e
		}
		var lists [3][]Entry
		for i := range lists {
			for id := range byte(3) {
				if rapid.Bool().Draw(rt, "has") {
					lists[i] = append(lists[i], entry(id))
				}
			}
		}
		fold := func(order ...int) map[string]Entry {
			var out []Entry
			for _, i := range order {
				out, _ = merge(out, lists[i])
			}
			if again, changed := merge(out, out); changed || len(again) != len(out) {
				rt.Fatal("a list merged with itself changed")
			}
			m := map[string]Entry{}
			for _, e := range out {
				m[e.ID] = e
			}
			return m
		}
		a, b := fold(0, 1, 2, 0, 1, 2), fold(2, 0, 1, 2, 0, 1)
		if len(a) != len(b) {
			rt.Fatalf("%v\n%v", a, b)
		}
		for id, x := range a {
			y := b[id]
			if x.Key != y.Key || x.Revoked.IsZero() != y.Revoked.IsZero() {
				rt.Fatalf("%+v\n%+v", x, y)
			}
			var seen []string
			for _, l := range lists {
				for _, e := range l {
					if e.ID == id && e.Key != "" {
						seen = append(seen, e.Key)
					}
					if e.ID == id && !e.Revoked.IsZero() && x.Revoked.IsZero() {
						rt.Fatal("a revoked entry came back")
					}
				}
			}
			for _, k := range seen {
				if k != seen[0] && x.Revoked.IsZero() {
					rt.Fatal("a token used for two keys is good")
				}
			}
		}
	})
}

func TestStatesAndForgetting(t *testing.T) {
	l, now := New(t.TempDir()), time.Now()
	old, _, err := l.NewToken([]string{"rhein/p1"}, time.Hour, now.Add(-forgotten-2*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	e, secret, err := l.NewToken([]string{"rhein/p1"}, time.Hour, now)
	if err != nil || len(secret) < 26 {
		t.Fatal(err)
	}
	list, err := l.Read()
	if err != nil || len(list) != 1 || list[0].ID == old.ID {
		t.Errorf("%+v %v", list, err)
	}
	for at, want := range map[time.Duration]string{0: "waiting", 2 * time.Hour: "expired"} {
		if got := e.State(now.Add(at)); got != want {
			t.Errorf("%v: %s", at, got)
		}
	}
	if !e.Asks(now.Add(2*time.Hour)) || e.Asks(now.Add(26*time.Hour)) {
		t.Error("an expired token is told so for a day")
	}
	if _, err := l.Use(e.ID, publicKey(t), "", now.Add(2*time.Hour)); !errors.Is(err, ErrExpired) {
		t.Error(err)
	}
	if _, err := l.Revoke("rhein/p9", now); !errors.Is(err, ErrUnknown) {
		t.Error(err)
	}
	for _, bad := range []string{`{`, `[{"id":"x"}]`, `[{"id":"0123456789abcdef","presses":["rhein/p1 } ]"],"key":""}]`, `[{"id":"0123456789abcdef","presses":["rhein/p1"],"secret":"clear"}]`, `[{"id":"0123456789abcdef","presses":["rhein/p1"],"key":"SU"}]`} {
		if err := os.WriteFile(l.File(), []byte(bad), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := l.Read(); err == nil {
			t.Errorf("read %s", bad)
		}
	}
}

// FuzzToken: no text panics, and what is read is what would be written.
func FuzzToken(f *testing.F) {
	id, secret := enrol.NewSecret()
	f.Add(enrol.Token{ID: id, Secret: secret, Server: "tls://10.0.0.5:7712", Pins: []string{strings.Repeat("0a", 32)}}.String())
	f.Add("dwe1.AAAA")
	f.Fuzz(func(t *testing.T, text string) {
		tok, err := enrol.ParseToken(text)
		if err != nil {
			return
		}
		again, err := enrol.ParseToken(" " + tok.String()[:20] + "\n" + tok.String()[20:])
		if err != nil || again.ID != tok.ID || again.Server != tok.Server {
			t.Fatal(again, err)
		}
	})
}
