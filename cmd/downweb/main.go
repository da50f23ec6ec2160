// Command downweb streams the facts of web-fed label presses from the press to the loss tree: agents,
// event log, warehouse, projections, api and the commands that ask.
//
// It promises: data goes to stdout and talk to stderr; an error is one line; the exit code is 0 when done,
// 1 on failure and 2 when the command line, the environment or the config file is wrong. `up` and `demo`
// own the processes they start and take them along when they end, however they end.
package main

import (
	"context"
	"os"
)

func main() {
	os.Exit(run(context.Background(), os.Environ(), os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}
