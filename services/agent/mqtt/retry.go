package mqtt

import (
	"context"
	"fmt"
	"math/rand/v2"
	"time"
)

const (
	firstPause = 500 * time.Millisecond
	lastPause  = 30 * time.Second
)

// forever runs sessions until ctx ends; one that told something begins the
// pauses anew.
func forever(ctx context.Context, broker string, lost func(error), session func() (worked bool, err error)) error {
	pause := firstPause
	for ctx.Err() == nil {
		worked, err := session()
		if ctx.Err() != nil {
			return nil
		}
		lost(fmt.Errorf("mqtt %s: %w", broker, err))
		if worked {
			pause = firstPause
		}
		select {
		case <-ctx.Done():
		case <-time.After(pause/2 + rand.N(pause)):
		}
		pause = min(2*pause, lastPause)
	}
	return nil
}
