package spool

import (
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	bolt "go.etcd.io/bbolt"
)

var (
	// ErrFull is returned by Commit when the batch does not fit under MaxBytes.
	ErrFull = errors.New("spool is full")
	// ErrLocked is returned by Open when another process holds the file.
	ErrLocked = errors.New("spool is in use by another process")
	// ErrFormat is returned by Open for a file that is not a spool, or of a
	// later version.
	ErrFormat = errors.New("not a spool of this version")
)

// Options of a spool.
type Options struct {
	// MaxBytes of events held; 0: 2 GiB.
	MaxBytes int64
	// KeepKeys is how long a source key is remembered; 0: 35 days.
	KeepKeys time.Duration
}

const (
	defaultMaxBytes = 2 << 30
	defaultKeepKeys = 35 * 24 * time.Hour
	formatVersion   = 1
)

// Buckets of the file.
var (
	bucketMeta    = []byte("meta")    // version, epoch
	bucketPress   = []byte("press")   // press -> last seq, trimmed seq
	bucketBlocks  = []byte("blocks")  // press -> bucket: first seq -> block
	bucketBad     = []byte("bad")     // press, first seq -> block with a wrong checksum
	bucketSource  = []byte("source")  // source -> position
	bucketCovered = []byte("covered") // press -> bucket: from -> to
	bucketKeys    = []byte("keys")    // press, kind, key -> seq, earliest, accepted
	bucketKeyAge  = []byte("keyage")  // accepted, press, kind, key -> nothing
	bucketBound   = []byte("bound")   // press -> last seq when the unproven run began
	bucketOld     = []byte("old")     // bad blocks of earlier epochs: epoch, press, first seq, last seq
)

// Spool is an open file.
type Spool struct {
	db    *bolt.DB
	epoch uint64 // written under mu, by Roll alone
	opt   Options

	mu      sync.Mutex
	presses map[string]*pressState
	held    int64
	bounds  map[string]uint64 // nil: proven

	pages atomic.Int64 // bytes mapped since the pages were given back
}

type pressState struct {
	last, trimmed uint64
	bytes         int64
}

// Open opens or makes the file. A new file gets a new random epoch.
func Open(path string, opt Options) (*Spool, error) {
	if opt.MaxBytes <= 0 {
		opt.MaxBytes = defaultMaxBytes
	}
	if opt.KeepKeys <= 0 {
		opt.KeepKeys = defaultKeepKeys
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, fmt.Errorf("open spool: %w", err)
	}
	db, err := bolt.Open(path, 0o600, &bolt.Options{Timeout: time.Second, FreelistType: bolt.FreelistMapType})
	if errors.Is(err, bolt.ErrTimeout) {
		return nil, fmt.Errorf("open spool %s: %w", path, ErrLocked)
	}
	if err != nil {
		return nil, fmt.Errorf("open spool %s: %w", path, err)
	}
	s := &Spool{db: db, opt: opt, presses: map[string]*pressState{}}
	if err := s.load(); err != nil {
		_ = db.Close()
		return nil, fmt.Errorf("open spool %s: %w", path, err)
	}
	return s, nil
}

// Close releases the file.
func (s *Spool) Close() error { return s.db.Close() }

// Epoch made with the file or by the last Roll, never 0.
func (s *Spool) Epoch() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.epoch
}

func newEpoch() (uint64, error) {
	for {
		var b [8]byte
		if _, err := rand.Read(b[:]); err != nil {
			return 0, err
		}
		if e := binary.BigEndian.Uint64(b[:]); e != 0 {
			return e, nil
		}
	}
}

func (s *Spool) load() error {
	err := s.db.Update(func(tx *bolt.Tx) error {
		for _, name := range [][]byte{bucketMeta, bucketPress, bucketBlocks, bucketBad, bucketSource, bucketCovered, bucketKeys, bucketKeyAge, bucketBound, bucketOld} {
			if _, err := tx.CreateBucketIfNotExists(name); err != nil {
				return err
			}
		}
		meta := tx.Bucket(bucketMeta)
		switch v := meta.Get([]byte("version")); {
		case v == nil:
			var err error
			if s.epoch, err = newEpoch(); err != nil {
				return err
			}
			if err := meta.Put([]byte("epoch"), be(s.epoch)); err != nil {
				return err
			}
			return meta.Put([]byte("version"), []byte{formatVersion})
		case len(v) != 1 || v[0] != formatVersion:
			return fmt.Errorf("%w: version % x", ErrFormat, v)
		}
		e := meta.Get([]byte("epoch"))
		if len(e) != 8 {
			return fmt.Errorf("%w: no epoch", ErrFormat)
		}
		s.epoch = binary.BigEndian.Uint64(e)
		return s.bind(tx)
	})
	if err != nil {
		return err
	}
	return s.db.View(func(tx *bolt.Tx) error {
		err := tx.Bucket(bucketPress).ForEach(func(k, v []byte) error {
			if len(v) != 16 {
				return fmt.Errorf("%w: state of press %s", ErrFormat, k)
			}
			s.presses[string(k)] = &pressState{last: binary.BigEndian.Uint64(v), trimmed: binary.BigEndian.Uint64(v[8:])}
			return nil
		})
		if err != nil {
			return err
		}
		for press, p := range s.presses {
			b := tx.Bucket(bucketBlocks).Bucket([]byte(press))
			if b == nil {
				continue
			}
			if err := b.ForEach(func(_, v []byte) error {
				p.bytes += int64(len(v))
				return nil
			}); err != nil {
				return err
			}
			s.held += p.bytes
		}
		return nil
	})
}

func be(n uint64) []byte { return binary.BigEndian.AppendUint64(nil, n) }

// State of one press.
type State struct {
	// Last seq accepted; 0: none.
	Last uint64
	// Trimmed: this seq and all below are confirmed and gone.
	Trimmed uint64
	// Bytes held.
	Bytes int64
}

// State of a press; zero for one never seen.
func (s *Spool) State(press string) State {
	s.mu.Lock()
	defer s.mu.Unlock()
	if p := s.presses[press]; p != nil {
		return State{Last: p.last, Trimmed: p.trimmed, Bytes: p.bytes}
	}
	return State{}
}

// Presses seen so far, in no order.
func (s *Spool) Presses() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := make([]string, 0, len(s.presses))
	for p := range s.presses {
		out = append(out, p)
	}
	return out
}

// Held bytes of events over all presses, and the most that may be held.
func (s *Spool) Held() (bytes, most int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.held, s.opt.MaxBytes
}
