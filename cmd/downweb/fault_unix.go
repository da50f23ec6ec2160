//go:build unix

package main

import (
	"errors"
	"syscall"
)

// kill9 ends a process by SIGKILL; one that has just ended by itself is no error.
func kill9(pid int) error {
	if err := syscall.Kill(pid, syscall.SIGKILL); !errors.Is(err, syscall.ESRCH) {
		return err
	}
	return nil
}

func pause(pid int) error { return syscall.Kill(pid, syscall.SIGSTOP) }

func resume(pid int) error { return syscall.Kill(pid, syscall.SIGCONT) }
