package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"github.com/downweb/downweb/services/ops"
)

// app is what every command gets: where to read and write, and the global flags.
type app struct {
	in          io.Reader
	out, err    io.Writer
	dataDir     string           // --data-dir
	config      string           // --config
	addr        string           // --addr: an api elsewhere
	format      string           // -o: table, json or csv
	outFile     string           // --out: file of an export
	command     *cobra.Command   // that exports
	arguments   []string         // of it
	conn        *grpc.ClientConn // to the api, while it is asked
	environ     []string         // the environment; os.Environ() outside tests
	metrics     *ops.Metrics     // of this process; made by role
	defaultName string           // name of the default data directory: "main", for the demo "demo"
}

// usageError is a mistake in the command line, the environment or the config: exit code 2.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

func usagef(format string, a ...any) error { return usageError{fmt.Errorf(format, a...)} }

// quietError ends the program with exit code 1 and says nothing more: what it had to say is printed.
var quietError = errors.New("failed")

// run is the whole program: arguments in, exit code out.
func run(ctx context.Context, environ, args []string, in io.Reader, out, errw io.Writer) int {
	ctx, stop := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM)
	defer stop()
	a := &app{in: in, out: out, err: errw, environ: environ, defaultName: "main"}
	root := a.root()
	root.SetArgs(args)
	root.SetIn(in)
	root.SetOut(out)
	root.SetErr(errw)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return 0
	}
	if !errors.Is(err, quietError) {
		fmt.Fprintln(errw, "downweb: "+oneLine(explain(err)))
	}
	var usage usageError
	if errors.As(err, &usage) {
		return 2
	}
	return 1
}

// oneLine folds a text of several lines into one.
func oneLine(text string) string {
	return strings.Join(strings.FieldsFunc(strings.TrimSpace(text), func(r rune) bool { return r == '\n' || r == '\r' }), "; ")
}

func (a *app) root() *cobra.Command {
	root := group("downweb", "what cleaning and dirt cost a fleet of web-fed presses, and what follows a missed clean")
	root.SilenceErrors, root.SilenceUsage = true, true
	root.Example = "  downweb demo\n  downweb up\n  downweb loss --since 7d\n  downweb study ask spec.yaml"
	f := root.PersistentFlags()
	f.StringVar(&a.dataDir, "data-dir", "", "data directory (default: the user's state directory /downweb/main)")
	f.StringVar(&a.config, "config", "", "config file (default: DATA-DIR/downweb.yaml)")
	f.StringVar(&a.addr, "addr", "", "api to ask, host:port (default: the one that runs in the data directory)")
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return usagef("%w; see \"%s --help\"", err, c.CommandPath())
	})
	root.AddCommand(
		a.upCommand(), a.demoCommand(), a.engineCommand(), a.natsCommand(), a.ingestCommand(), a.apiCommand(), a.agentCommand(),
		a.lossCommand(), a.stationsCommand(), a.sessionsCommand(), a.dutiesCommand(), a.studyCommand(), a.reportCommand(), a.intervalCommand(),
		a.eventsCommand(), a.periodCommand(), a.registryCommand(), a.statusCommand(), a.doctorCommand(), a.deadCommand(), a.keysCommand(), a.enrolCommand(), a.versionCommand(), a.simCommand(), a.rebuildCommand(), a.backupCommand(), a.restoreCommand(), a.benchCommand(), a.manCommand(),
	)
	a.completeNames(root)
	return root
}

// group is a command that only holds others: alone it prints its help, with a word it does not know it fails.
func group(use, short string, children ...*cobra.Command) *cobra.Command {
	c := &cobra.Command{Use: use, Short: short, Args: func(c *cobra.Command, args []string) error {
		if len(args) == 0 {
			return nil
		}
		return usagef("unknown command %q; see \"%s --help\"", args[0], c.CommandPath())
	}}
	c.RunE = func(c *cobra.Command, _ []string) error { return c.Help() }
	c.AddCommand(children...)
	return c
}

// exactly wants n arguments, named in the usage line.
func exactly(n int) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) != n {
			return usagef("want \"%s\", got %d argument(s)", c.UseLine(), len(args))
		}
		return nil
	}
}
