package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/downweb/downweb/services/eventlog"
	"github.com/downweb/downweb/services/eventlog/enrol"
	"github.com/downweb/downweb/services/eventlog/presskeys"
)

// longestToken bounds --expires: a token that lies about is a way in.
const longestToken = 30 * 24 * time.Hour

func (a *app) enrolCommand() *cobra.Command {
	expires, server, key := "24h", "", ""
	c := &cobra.Command{Use: "enrol PRESS...", Short: "let a device at a press in: print a one-time token for its own key",
		Long: "Prints a token for one device, good once. It holds the log server's address and the fingerprint of its\n" +
			"certificate. On the device \"downweb-agent enrol TOKEN\" makes a key that never leaves it, and the server then lets\n" +
			"that key publish for the presses named here and for no other. Give the token as you would give a password.",
		Example: "  downweb enrol rhein/p1\n  downweb enrol rhein/p1 rhein/p2 --expires 1h --server 10.0.0.5:7712\n  downweb enrol rhein/p1 --key UB…\n  downweb enrol list\n  downweb enrol revoke rhein/p1"}
	c.Args = func(c *cobra.Command, args []string) error {
		if len(args) == 0 {
			return usagef("say which presses: \"%s\"", c.UseLine())
		}
		return nil
	}
	load := a.settingFlags(c, "nats", "nats-listen", "keys-dir")
	c.RunE = func(c *cobra.Command, args []string) error {
		cfg, err := load()
		if err != nil {
			return err
		}
		for _, p := range args {
			if plant, press, ok := strings.Cut(p, "/"); !ok || !slug.MatchString(plant) || !slug.MatchString(press) {
				return usagef("%q is not plant/press", p)
			}
		}
		keys := presskeys.New(cfg.keysDir())
		if key != "" {
			e, err := keys.AddKey(args, key, "", time.Now())
			if err != nil {
				return usageError{err}
			}
			wrapped(a.out, "", "  ", fmt.Sprintf("The key serves %s (%s).", strings.Join(e.Presses, ", "), e.ID))
			return nil
		}
		good, err := parseSpan(expires)
		if err != nil || good < time.Minute || good > longestToken {
			return usagef("--expires %s: want 1m to 30d", expires)
		}
		url, pins, plain, err := cfg.tokenServer(server)
		if err != nil {
			return err
		}
		e, secret, err := keys.NewToken(args, good, time.Now())
		if err != nil {
			return err
		}
		fmt.Fprintln(a.out, enrol.Token{ID: e.ID, Secret: secret, Server: url, Pins: pins, Plain: plain})
		fmt.Fprintf(a.err, "good once, until %s, for %s at %s; on the device: downweb-agent enrol TOKEN\n", e.Expires.Format(time.RFC3339), strings.Join(e.Presses, ", "), url)
		if !eventlog.Remote(url) {
			fmt.Fprintln(a.err, "the log server listens on this machine alone: set nats.listen for devices elsewhere")
		}
		return nil
	}
	c.Flags().StringVar(&expires, "expires", expires, "how long the token is good, 1m to 30d")
	c.Flags().StringVar(&server, "server", "", "address that the device reaches the log server at, host:port (default: nats.url or nats.listen)")
	c.Flags().StringVar(&key, "key", "", "no token: let this public key in, which the device has made with \"downweb-agent enrol --by-hand\"")
	c.AddCommand(a.enrolList(), a.enrolRevoke())
	return c
}

func (a *app) enrolList() *cobra.Command {
	c := &cobra.Command{Use: "list", Short: "tokens and the devices' keys, the oldest first", Args: exactly(0),
		Example: "  downweb enrol list"}
	load := a.settingFlags(c, "keys-dir")
	c.RunE = func(*cobra.Command, []string) error {
		cfg, err := load()
		if err != nil {
			return err
		}
		list, err := presskeys.New(cfg.keysDir()).Read()
		if err != nil {
			return err
		}
		now := time.Now()
		if a.format == "json" {
			type row struct {
				State string `json:"state"`
				presskeys.Entry
			}
			rows := []row{}
			for _, e := range list {
				e.Secret = "" // of no use to a reader
				rows = append(rows, row{e.State(now), e})
			}
			enc := json.NewEncoder(a.out)
			enc.SetIndent("", "  ")
			return enc.Encode(rows)
		}
		if len(list) == 0 {
			fmt.Fprintln(a.out, "No device has been enrolled.")
			return nil
		}
		g := newGrid("token", "state", "presses", "device", "since", "until", "key")
		for _, e := range list {
			since, until := e.Created, ""
			switch e.State(now) {
			case "enrolled":
				since = e.Enrolled
			case "revoked":
				since = e.Revoked
			default:
				until = e.Expires.Format(time.RFC3339)
			}
			g.row(e.ID, e.State(now), strings.Join(e.Presses, " "), cmp.Or(e.Device, "-"), since.Format(time.RFC3339), cmp.Or(until, "-"), cmp.Or(e.Key, "-"))
		}
		g.print(a.out)
		return nil
	}
	a.outputFlag(c, "table", "json")
	return c
}

func (a *app) enrolRevoke() *cobra.Command {
	c := &cobra.Command{Use: "revoke TOKEN|KEY|PRESS", Short: "shut a device out: by the token's id, its key, or a press (then every key that serves it)", Args: exactly(1),
		Example: "  downweb enrol revoke rhein/p1"}
	load := a.settingFlags(c, "keys-dir")
	c.RunE = func(_ *cobra.Command, args []string) error {
		cfg, err := load()
		if err != nil {
			return err
		}
		what := args[0]
		if t, err := enrol.ParseToken(what); err == nil {
			what = t.ID
		}
		list, err := presskeys.New(cfg.keysDir()).Revoke(what, time.Now())
		if err != nil {
			return fmt.Errorf("%s: %w", args[0], err)
		}
		for _, e := range list {
			fmt.Fprintf(a.out, "revoked %s: %s, presses %s\n", e.ID, cmp.Or(e.Key, "token not used yet"), strings.Join(e.Presses, " "))
		}
		wrapped(a.out, "", "  ", "A running log server cuts it off within a second. What the device has not sent stays in its spool, and is sent once it is enrolled again.")
		return nil
	}
	return c
}
