package api

import (
	"testing"
	"time"
)

// A watch rests four times as long as it looked, half a minute at most: it stays fresh.
func TestWatchRest(t *testing.T) {
	for took, want := range map[time.Duration]time.Duration{0: 0, 50 * time.Millisecond: 200 * time.Millisecond, 4 * time.Second: 16 * time.Second, time.Minute: 30 * time.Second} {
		if got := watchRest(took); got != want {
			t.Errorf("after %v: %v, want %v", took, got, want)
		}
	}
}
