package main

import (
	"os"
	"runtime/debug"
	"sync"
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

// studying counts the studies under way in this process.
var studying struct {
	sync.Mutex
	n, percent int
}

// forStudy lets garbage be collected more often while a study is under way: its
// models live for a moment each, and half of what stands in memory would be
// those of before. It costs some percent of its CPU. GOGC in the environment
// wins. The function returned puts all back with the last study.
func forStudy() (back func()) {
	if os.Getenv("GOGC") != "" {
		return func() {}
	}
	studying.Lock()
	defer studying.Unlock()
	if studying.n++; studying.n == 1 {
		studying.percent = debug.SetGCPercent(20)
	}
	return func() {
		studying.Lock()
		defer studying.Unlock()
		if studying.n--; studying.n == 0 {
			debug.SetGCPercent(studying.percent)
		}
	}
}

// rebuildMemory is the memory, bytes, near which a rebuild collects garbage
// more often again: half of what it may use, the engine has the rest.
const rebuildMemory = 2 << 30

// forRebuild lets garbage pile up higher than usual while a rebuild runs: most
// of what it holds are slices that live to the end of their press's fold, and to
// look at them again and again is a good part of its CPU. What the user has set
// by GOGC or GOMEMLIMIT stays. The function returned puts all back.
func forRebuild() (back func()) {
	if os.Getenv("GOGC") != "" || os.Getenv("GOMEMLIMIT") != "" {
		return func() {}
	}
	percent, limit := debug.SetGCPercent(400), debug.SetMemoryLimit(rebuildMemory)
	return func() {
		debug.SetGCPercent(percent)
		debug.SetMemoryLimit(limit)
	}
}
