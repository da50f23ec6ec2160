//go:build unix

package main

import (
	"os"
	"os/exec"
	"os/signal"
	"syscall"
)

// flock takes an exclusive lock on an open file; it goes with the process, however that ends.
func flock(f *os.File) error {
	return syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
}

// detach puts a child into a process group of its own, so that Ctrl-C at the terminal reaches the supervisor
// alone, which then stops its children in order.
func detach(c *exec.Cmd) { c.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} }

// ignorePipe lets a child whose log reader is gone go on to its orderly stop.
func ignorePipe() { signal.Ignore(syscall.SIGPIPE) }
