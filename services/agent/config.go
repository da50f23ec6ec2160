package agent

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"github.com/nats-io/nats.go"

	"github.com/downweb/downweb/services/eventlog"
)

// Config of an agent.
type Config struct {
	// Name of the agent: a slug; the spool is SpoolDir/Name.db.
	Name string
	// Presses served, as plant/press.
	Presses []string
	Sources []Source
	// SpoolDir holds the spool; SpoolMax bounds the events in it, bytes (0: 2 GiB).
	SpoolDir string
	SpoolMax int64
	// BadgeKeyDir holds the badge keys; empty: SpoolDir/keys.
	BadgeKeyDir string

	// Conn to the log as user press; nil: the agent connects to URL by itself,
	// with the key of Seed (an NKEY user seed) or, where that is nil, with the
	// shared Password, and waits for the server as long as it takes.
	Conn     *nats.Conn
	URL      string
	Password string
	Seed     []byte
	// TLS by which the server at URL is known.
	TLS eventlog.TLS

	// FutureLimit: times further than this after the agent's clock are
	// refused; 0: 10 minutes.
	FutureLimit time.Duration
	// MarkDelay between a publish and the first question for the mark; 0: 1 s,
	// a quarter of it while a source without Follow is drained.
	MarkDelay time.Duration
	// RepublishAfter: where the mark has not moved for so long though ingest
	// answers, everything above it is sent again; 0: 1 minute, doubling.
	RepublishAfter time.Duration
	// Clock; nil: time.Now.
	Clock func() time.Time
	// ByHand: people give events by Record; the agent then needs no source, and
	// does not end when its sources do.
	ByHand bool
	// Log; nil: none.
	Log *slog.Logger
	// Refused, where set, is called for every refused line, by one goroutine.
	Refused func(Refusal)
}

// Source of events: JSON Lines under a path or from a reader of this process,
// or a machine.
type Source struct {
	// Path of a file, of a directory (its files in name order), or "-" for
	// stdin.
	Path string
	// Follow a file as it grows, a directory as files are added and grow.
	// Without it a source ends at its end.
	Follow bool
	// Reader instead of a path, under a Name unique in the agent. Where it has
	// a method Resume(offset int64) error, that is called before the first
	// Read with the number of bytes already taken in, and the position is kept.
	Reader io.Reader
	Name   string
	// Machine instead of a path: a mapping file (package machine) of a press
	// whose controller is read.
	Machine string
}

// Resumer is a reader that can go on where an earlier one of its name ended.
type Resumer interface {
	// Resume makes the next Read return what follows the first offset bytes.
	Resume(offset int64) error
}

// Refusal names a line that was not accepted.
type Refusal struct {
	// Source is the file, "-" or the reader's name; Line counts from 1.
	Source string
	Line   int
	// Field by its path in event.proto, empty where the line is no event.
	Field, Reason string
}

func (r Refusal) String() string {
	if r.Field == "" {
		return fmt.Sprintf("%s:%d: %s", r.Source, r.Line, r.Reason)
	}
	return fmt.Sprintf("%s:%d: %s: %s", r.Source, r.Line, r.Field, r.Reason)
}

func (s Source) id() string {
	if s.Machine != "" {
		return "machine:" + s.Machine
	}
	if s.Reader != nil {
		return "reader:" + s.Name
	}
	return s.Path
}

var (
	slugPattern  = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)
	pressPattern = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}/[a-z0-9][a-z0-9-]{0,39}$`)
)

// Validate returns every wrong setting.
func (c *Config) Validate() error {
	var errs []error
	bad := func(f string, v ...any) { errs = append(errs, fmt.Errorf("agent: "+f, v...)) }
	if !slugPattern.MatchString(c.Name) {
		bad("name %q is not a slug", c.Name)
	}
	if len(c.Presses) == 0 {
		bad("no press")
	}
	seen := map[string]bool{}
	for _, p := range c.Presses {
		if !pressPattern.MatchString(p) {
			bad("press %q is not plant/press", p)
		}
		if seen[p] {
			bad("press %s is named twice", p)
		}
		seen[p] = true
	}
	if c.SpoolDir == "" {
		bad("no spool directory")
	}
	if c.Conn == nil && c.URL == "" {
		bad("no log server")
	}
	if len(c.Sources) == 0 && !c.ByHand {
		bad("no source")
	}
	ids := map[string]bool{}
	for _, s := range c.Sources {
		switch {
		case s.Machine != "" && (s.Path != "" || s.Reader != nil):
			bad("a source has a machine and a path")
		case s.Machine != "" && ids[s.id()]:
			bad("machine %s is named twice", s.Machine)
		case s.Machine != "":
			m, _, err := openMachine(s.Machine)
			if err != nil {
				bad("source: %w", err)
			} else if !seen[m.Press] {
				bad("%s is of press %s, which this agent does not serve", s.Machine, m.Press)
			}
		case s.Reader != nil && s.Name == "":
			bad("a reader has no name")
		case s.Reader == nil && s.Path == "":
			bad("a source has no path")
		case ids[s.id()]:
			bad("source %s is named twice", s.id())
		case s.Reader == nil && s.Path != "-" && !s.Follow:
			if _, err := os.Stat(s.Path); err != nil {
				bad("source: %w", err)
			}
		}
		ids[s.id()] = true
	}
	return errors.Join(errs...)
}

func (c *Config) defaults() {
	if c.FutureLimit == 0 {
		c.FutureLimit = 10 * time.Minute
	}
	if c.MarkDelay == 0 {
		c.MarkDelay = time.Second
	}
	if c.RepublishAfter == 0 {
		c.RepublishAfter = time.Minute
	}
	if c.Clock == nil {
		c.Clock = time.Now
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	if c.BadgeKeyDir == "" {
		c.BadgeKeyDir = filepath.Join(c.SpoolDir, "keys")
	}
}

// follows reports whether any source has no end of its own.
func (c *Config) follows() bool {
	if c.ByHand {
		return true
	}
	for _, s := range c.Sources {
		if s.Follow || s.Machine != "" {
			return true
		}
	}
	return false
}

// presses by name, with the parts kept.
type pressName struct {
	name, plant, press string
}

func splitPresses(names []string) []pressName {
	out := make([]pressName, len(names))
	for i, n := range names {
		plant, press, _ := strings.Cut(n, "/")
		out[i] = pressName{n, plant, press}
	}
	return out
}
