package main

import (
	"fmt"
	"net"
	"strconv"
	"strings"
	"time"
)

// loopback says whether an address is of this machine alone; one that cannot be read is left to others.
func loopback(addr string) bool {
	host, _, err := net.SplitHostPort(addr)
	ip := net.ParseIP(host)
	return err != nil || host == "localhost" || ip != nil && ip.IsLoopback()
}

var units = []struct {
	suffix string
	bytes  int64
}{{"KiB", 1 << 10}, {"MiB", 1 << 20}, {"GiB", 1 << 30}, {"TiB", 1 << 40}, {"kB", 1e3}, {"MB", 1e6}, {"GB", 1e9}, {"TB", 1e12}, {"B", 1}}

// parseBytes reads "3GiB", "500MB" or a number of bytes.
func parseBytes(text string) (int64, error) {
	number, unit := strings.TrimSpace(text), int64(1)
	for _, u := range units {
		if rest, ok := strings.CutSuffix(number, u.suffix); ok {
			number, unit = strings.TrimSpace(rest), u.bytes
			break
		}
	}
	n, err := strconv.ParseFloat(number, 64)
	if err != nil || n < 0 || n*float64(unit) > 1<<60 {
		return 0, fmt.Errorf("%q is not a size such as 3GiB", text)
	}
	return int64(n * float64(unit)), nil
}

// parseSpan reads a Go duration, or a number of days, weeks or years (of 365 days) such as 7d, 2w, 10y.
func parseSpan(text string) (time.Duration, error) {
	if d, err := time.ParseDuration(text); err == nil {
		return d, nil
	}
	for suffix, day := range map[string]int64{"d": 1, "w": 7, "y": 365} {
		if number, ok := strings.CutSuffix(text, suffix); ok {
			if n, err := strconv.ParseInt(number, 10, 64); err == nil && n >= 0 && n*day <= 100*365 {
				return time.Duration(n*day) * 24 * time.Hour, nil
			}
		}
	}
	return 0, fmt.Errorf("%q is not a time span such as 200ms, 10m, 7d or 10y", text)
}
