package main

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"
)

// clockTick is the unit of times in /proc (USER_HZ, 100 on every Linux that Go runs on).
const clockTick = 10 * time.Millisecond

// processUse is the CPU time of a process so far and its largest resident memory, bytes.
func processUse(pid int) (cpu time.Duration, rss int64) {
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return 0, 0
	}
	// The name, in parentheses, may hold blanks; utime and stime are the 14th and 15th fields (proc(5)).
	_, rest, _ := strings.Cut(string(stat), ") ")
	if f := strings.Fields(rest); len(f) > 12 {
		user, _ := strconv.ParseInt(f[11], 10, 64)
		system, _ := strconv.ParseInt(f[12], 10, 64)
		cpu = time.Duration(user+system) * clockTick
	}
	status, _ := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	for line := range strings.SplitSeq(string(status), "\n") {
		if v, ok := strings.CutPrefix(line, "VmHWM:"); ok {
			kb, _ := strconv.ParseInt(strings.Fields(v)[0], 10, 64)
			rss = kb << 10
		}
	}
	return cpu, rss
}

// machineLoad is the number of processes that ran or wanted to, over the last minute.
func machineLoad() float64 {
	text, _ := os.ReadFile("/proc/loadavg")
	first, _, _ := strings.Cut(string(text), " ")
	v, _ := strconv.ParseFloat(first, 64)
	return v
}
