package main

import (
	"os"
	"runtime/debug"
)

// largeHeap lets a role that decodes batch after batch collect its garbage less often than Go does by default, as
// long as it stays below a bound. GOGC and GOMEMLIMIT in the environment win.
func largeHeap() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(300)
	}
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(768 << 20)
	}
}
