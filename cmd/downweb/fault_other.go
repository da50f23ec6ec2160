//go:build !unix

package main

import (
	"errors"
	"os"
)

var errNoPause = errors.New("a process cannot be paused on this system")

// kill9 ends a process at once.
func kill9(pid int) error {
	p, err := os.FindProcess(pid)
	if err != nil {
		return err
	}
	return p.Kill()
}

func pause(int) error { return errNoPause }

func resume(int) error { return errNoPause }
