//go:build !unix

package main

import (
	"errors"
	"os"
	"os/exec"
)

func flock(*os.File) error { return errors.New("this system has no file locks that downweb knows") }
func detach(*exec.Cmd)     {}
func ignorePipe()          {}
