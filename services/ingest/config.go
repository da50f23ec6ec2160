package ingest

import (
	"errors"
	"fmt"
	"os"
	"time"
)

// Config of ingest. Zero values are the defaults.
type Config struct {
	Holder        string        // name under which the lease is held; default: host and process id
	LeaseTTL      time.Duration // must be that of the bucket; default: eventlog's
	BatchEvents   int           // events of one batch; default 100,000
	BatchMessages int           // messages of one batch; default 5,000
	BatchBytes    int           // size of one batch's messages, after which no more are asked for; default 32 MiB
	BatchWait     time.Duration // longest wait for a batch to fill; default 200 ms
	FutureLimit   time.Duration // instants later than that from now are refused; default 10 min
	PastLimit     time.Duration // instants earlier than that before now are refused; default 10 years
	InsertTimeout time.Duration // of one statement; then its outcome is looked up; default 1 min
	AckWait       time.Duration // after which a message that nobody works on is delivered again; default 15 s
	Now           func() time.Time
}

func (c Config) settle() (Config, error) {
	if c.Holder == "" {
		host, _ := os.Hostname()
		c.Holder = fmt.Sprintf("%s/%d", host, os.Getpid())
	}
	setDefault(&c.BatchEvents, 100_000)
	setDefault(&c.BatchMessages, 5000)
	setDefault(&c.BatchBytes, 32<<20)
	setDefault(&c.BatchWait, 200*time.Millisecond)
	setDefault(&c.FutureLimit, 10*time.Minute)
	setDefault(&c.PastLimit, 10*365*24*time.Hour)
	setDefault(&c.InsertTimeout, time.Minute)
	setDefault(&c.AckWait, 15*time.Second)
	if c.Now == nil {
		c.Now = time.Now
	}
	return c, errors.Join(
		positive("ingest.batch_events", c.BatchEvents), positive("ingest.batch_wait", c.BatchWait),
		positive("ingest batch messages", c.BatchMessages), positive("ingest batch bytes", c.BatchBytes),
		positive("ingest.future_limit", c.FutureLimit), positive("ingest.past_limit", c.PastLimit),
		positive("ingest insert timeout", c.InsertTimeout), positive("ingest ack wait", c.AckWait))
}

func setDefault[T comparable](v *T, d T) {
	var zero T
	if *v == zero {
		*v = d
	}
}

func positive[T int | time.Duration](name string, v T) error {
	if v <= 0 {
		return fmt.Errorf("%s must be above 0", name)
	}
	return nil
}
