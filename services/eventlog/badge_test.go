package eventlog

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// hmacByHand follows RFC 2104, section 2, for a key shorter than a block:
// H(K xor opad, H(K xor ipad, text)).
func hmacByHand(key, text []byte) []byte {
	inner, outer := make([]byte, 64), make([]byte, 64)
	copy(inner, key)
	copy(outer, key)
	for i := range 64 {
		inner[i] ^= 0x36
		outer[i] ^= 0x5c
	}
	h := sha256.Sum256(append(inner, text...))
	h = sha256.Sum256(append(outer, h[:]...))
	return h[:]
}

func TestBadges(t *testing.T) {
	// The helper itself against RFC 4231, test case 2 (quoted from memory).
	if got := hex.EncodeToString(hmacByHand([]byte("Jefe"), []byte("what do ya want for nothing?"))); got != "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843" {
		t.Fatalf("RFC 4231 case 2: %s", got)
	}
	dir := filepath.Join(t.TempDir(), "keys")
	june := time.Date(2026, 6, 30, 23, 59, 59, 0, time.UTC)
	// Many at once, over several openers of one directory: one key wins.
	names := make(chan string, 16)
	var wg sync.WaitGroup
	for range 16 {
		wg.Go(func() {
			n, err := NewBadges(dir).Pseudonym("rhein", june, "4711")
			if err != nil {
				t.Error(err)
			}
			names <- n
		})
	}
	wg.Wait()
	name := <-names
	for range 15 {
		if n := <-names; n != name {
			t.Fatalf("%s and %s for one badge", n, name)
		}
	}
	text, err := os.ReadFile(filepath.Join(dir, "rhein-2026-06.key"))
	if err != nil {
		t.Fatal(err)
	}
	key, err := hex.DecodeString(strings.TrimSpace(string(text)))
	if err != nil {
		t.Fatal(err)
	}
	if want := hex.EncodeToString(hmacByHand(key, []byte("4711")))[:10]; name != want {
		t.Fatalf("pseudonym %s, want %s", name, want)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, ".key-*")); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
	b := NewBadges(dir)
	for _, c := range []struct {
		plant string
		at    time.Time
		badge string
	}{{"rhein", june, "4712"}, {"rhein", june.Add(time.Second), "4711"}, {"elbe", june, "4711"}} {
		if n, err := b.Pseudonym(c.plant, c.at, c.badge); err != nil || n == name || len(n) != 10 {
			t.Errorf("%v: %s, %v", c, n, err)
		}
	}
	if n, err := b.Pseudonym("rhein", june, ""); err != nil || n != "" {
		t.Errorf("empty badge: %q, %v", n, err)
	}
	if _, err := b.Pseudonym("../x", june, "1"); err == nil {
		t.Error("a plant that is a path made a key")
	}
	if err := os.WriteFile(filepath.Join(dir, "rhein-2026-08.key"), []byte("short"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Pseudonym("rhein", june.AddDate(0, 2, -1), "1"); err == nil {
		t.Error("a damaged key was used")
	}
}

// Deleting a key forgets: nothing of it is left, a process that held it makes a
// new one at the next badge, and other months and plants keep theirs.
func TestForgetBadges(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "keys")
	june, july := time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC), time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	agent, command := NewBadges(dir), NewBadges(dir)
	name := func(plant string, at time.Time) string {
		t.Helper()
		n, err := agent.Pseudonym(plant, at, "4711")
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	before, kept, other := name("linden", june), name("linden", july), name("maple", june)
	if name("linden", june) != before {
		t.Error("a badge has two pseudonyms in one month")
	}
	list, err := command.Keys()
	if want := []BadgeKey{{"linden", "2026-06"}, {"linden", "2026-07"}, {"maple", "2026-06"}}; err != nil || !slices.Equal(list, want) {
		t.Errorf("keys %v, %v", list, err)
	}
	if err := command.Forget(BadgeKey{"linden", "2026-06"}); err != nil {
		t.Fatal(err)
	}
	if err := command.Forget(BadgeKey{"linden", "2026-06"}); !errors.Is(err, ErrNoKey) {
		t.Errorf("forgotten twice: %v", err)
	}
	if list, _ = command.Keys(); len(list) != 2 {
		t.Errorf("keys %v", list)
	}
	// All badges of four digits, with every key that is left: none is the old name.
	for n := range 10000 {
		badge := fmt.Sprintf("%04d", n)
		for _, at := range []time.Time{june, july} {
			for _, plant := range []string{"linden", "maple"} {
				if p, err := command.Pseudonym(plant, at, badge); err != nil || p == before {
					t.Fatalf("%s of %s in %s is the forgotten name again (%v)", badge, plant, at, err)
				}
			}
		}
	}
	if name("linden", june) == before {
		t.Error("a process that held the key still uses it")
	}
	if name("linden", july) != kept || name("maple", june) != other {
		t.Error("another key was touched")
	}
	for _, bad := range []BadgeKey{{"../x", "2026-06"}, {"linden", "2026-6"}, {"linden", "../2026-06"}} {
		if err := command.Forget(bad); err == nil || errors.Is(err, ErrNoKey) {
			t.Errorf("%v: %v", bad, err)
		}
	}
}
