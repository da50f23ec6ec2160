// Command downweb-agent takes events of presses into the log, and does nothing
// else: the agent of downweb alone, one static file for the machine beside the
// press.
//
// It promises: the flags, config keys, environment and files of "downweb
// agent", so that one may stand in for the other on the same data directory;
// no engine, no query and no server in it; under 20 MB on disk, 40 MiB in
// memory and 1 % of a processor while nothing comes. Data goes to stdout and
// talk to stderr; the exit code is 0 when done, 1 on failure and 2 when the
// command line, the environment or the config file is wrong.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"
)

func main() { os.Exit(run(context.Background(), os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) }

// memory the runtime keeps to while it can, bytes; the rest of the 40 MiB is
// the program itself and the pages of the spool.
const memory = 16 << 20

// run is the whole program: arguments in, exit code out.
func run(ctx context.Context, args []string, in io.Reader, out, errw io.Writer) int {
	ctx, stop := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM)
	defer stop()
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(memory)
	}
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(40)
	}
	a := &app{in: in, out: out, err: errw, environ: os.Environ()}
	root := a.root()
	root.SetArgs(args)
	root.SetIn(in)
	root.SetOut(out)
	root.SetErr(errw)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return 0
	}
	if !errors.Is(err, errQuiet) {
		_, _ = fmt.Fprintln(errw, "downweb-agent: "+oneLine(err.Error()))
	}
	var usage usageError
	if errors.As(err, &usage) {
		return 2
	}
	return 1
}

// usageError is a mistake in the command line, the environment or the config.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

func usagef(format string, v ...any) error { return usageError{fmt.Errorf(format, v...)} }

// errQuiet ends the program with exit code 1: what it had to say is printed.
var errQuiet = errors.New("failed")

// oneLine folds a text of several lines into one.
func oneLine(text string) string {
	return strings.Join(strings.FieldsFunc(strings.TrimSpace(text), func(r rune) bool { return r == '\n' || r == '\r' }), "; ")
}
