//go:build !linux

package main

import "time"

// processUse is known on Linux only: what needs it stays 0.
func processUse(int) (cpu time.Duration, rss int64) { return 0, 0 }

func machineLoad() float64 { return 0 }
