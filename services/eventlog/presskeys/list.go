// Package presskeys is the server's list of one-time tokens and of the devices'
// public keys that were enrolled with them, with the presses each may serve:
// one JSON file, mode 0600, that the log server and the command line share.
//
// It promises: a change is whole or not at all, also between processes; a
// token gives one key, before it expires; what is revoked stays so; lists of
// the servers of a cluster become the same whatever order they meet in.
package presskeys

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"time"

	"github.com/gofrs/flock"
	"github.com/nats-io/nkeys"
	"golang.org/x/crypto/bcrypt"

	"github.com/downweb/downweb/services/eventlog/enrol"
)

// Entry is a token, and the key that was enrolled with it.
type Entry struct {
	// ID of the token, 16 hex digits.
	ID string `json:"id"`
	// Presses that the key may serve, as plant/press, sorted.
	Presses []string  `json:"presses"`
	Created time.Time `json:"created"`
	// Expires: until then the token may be used. Zero where a key was added
	// without one.
	Expires time.Time `json:"expires,omitzero"`
	// Secret of the token, hashed with bcrypt.
	Secret string `json:"secret,omitempty"`
	// Key is the device's public NKEY; empty until it has enrolled as Device.
	Key      string    `json:"key,omitempty"`
	Device   string    `json:"device,omitempty"`
	Enrolled time.Time `json:"enrolled,omitzero"`
	// Revoked: the token and its key are refused from then on.
	Revoked time.Time `json:"revoked,omitzero"`
}

// State in one word: waiting, expired, enrolled or revoked.
func (e *Entry) State(now time.Time) string {
	switch {
	case !e.Revoked.IsZero():
		return "revoked"
	case e.Key != "":
		return "enrolled"
	case !now.Before(e.Expires):
		return "expired"
	}
	return "waiting"
}

// kept is how long after its end the log server still knows a token, so that it
// can say "expired" or "used" and not only "no"; forgotten, after which an
// unused token leaves the list.
const (
	kept      = 24 * time.Hour
	forgotten = 30 * 24 * time.Hour
)

// Asks says whether the token's holder may still connect to ask.
func (e *Entry) Asks(now time.Time) bool {
	return e.Secret != "" && e.Revoked.IsZero() && now.Before(e.Expires.Add(kept))
}

// List in a file.
type List struct{ file string }

// New list in a directory of keys; the file is made by the first change.
func New(dir string) *List { return &List{filepath.Join(dir, "presses.json")} }

// File of the list.
func (l *List) File() string { return l.file }

// Read the entries, the oldest first.
func (l *List) Read() ([]Entry, error) {
	text, err := os.ReadFile(l.file)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("press keys: %w", err)
	}
	var list []Entry
	if err := json.Unmarshal(text, &list); err != nil {
		return nil, fmt.Errorf("press keys: %s: %w", l.file, err)
	}
	for i := range list {
		if err := list[i].valid(); err != nil {
			return nil, fmt.Errorf("press keys: %s: %w", l.file, err)
		}
	}
	return list, nil
}

// Stamp changes whenever the file does.
func (l *List) Stamp() string {
	info, err := os.Stat(l.file)
	if err != nil {
		return ""
	}
	return fmt.Sprint(info.ModTime().UnixNano(), info.Size())
}

var (
	idPattern    = regexp.MustCompile(`^[0-9a-f]{16}$`)
	pressPattern = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}/[a-z0-9][a-z0-9-]{0,39}$`)
	hashPattern  = regexp.MustCompile(`^\$2[aby]\$[0-9]{2}\$[./A-Za-z0-9]{53}$`)
)

func (e *Entry) valid() error {
	switch {
	case !idPattern.MatchString(e.ID):
		return fmt.Errorf("id %q is not 16 hex digits", e.ID)
	case len(e.Presses) == 0:
		return fmt.Errorf("%s: no press", e.ID)
	case e.Secret != "" && !hashPattern.MatchString(e.Secret):
		return fmt.Errorf("%s: the secret is not hashed", e.ID)
	case e.Key != "" && !nkeys.IsValidPublicUserKey(e.Key):
		return fmt.Errorf("%s: %q is not a public user key", e.ID, e.Key)
	}
	for _, p := range e.Presses {
		if !pressPattern.MatchString(p) {
			return fmt.Errorf("%s: %q is not plant/press", e.ID, p)
		}
	}
	return nil
}

// change the list under a lock that other processes keep too. f may return the
// list it was given.
func (l *List) change(f func([]Entry) ([]Entry, error)) error {
	dir := filepath.Dir(l.file)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("press keys: %w", err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	lock := flock.New(l.file+".lock", flock.SetPermissions(0o600))
	if _, err := lock.TryLockContext(ctx, 10*time.Millisecond); err != nil {
		return fmt.Errorf("press keys: lock %s: %w", l.file, err)
	}
	defer func() { _ = lock.Unlock() }()
	old, err := l.Read()
	if err != nil {
		return err
	}
	list, err := f(slices.Clone(old))
	if err != nil {
		return err
	}
	now := time.Now()
	list = slices.DeleteFunc(list, func(e Entry) bool {
		return e.Key == "" && !e.Expires.IsZero() && now.After(e.Expires.Add(forgotten))
	})
	slices.SortFunc(list, func(a, b Entry) int {
		return cmp.Or(a.Created.Compare(b.Created), cmp.Compare(a.ID, b.ID))
	})
	for i := range list {
		if err := list[i].valid(); err != nil {
			return fmt.Errorf("press keys: %w", err)
		}
	}
	text, err := json.MarshalIndent(list, "", "  ")
	if err != nil {
		return fmt.Errorf("press keys: %w", err)
	}
	draft, err := os.CreateTemp(dir, ".presses.*") // mode 0600
	if err != nil {
		return fmt.Errorf("press keys: %w", err)
	}
	defer func() { _ = os.Remove(draft.Name()) }()
	_, err = draft.Write(append(text, '\n'))
	if err := errors.Join(err, draft.Sync(), draft.Close()); err != nil {
		return fmt.Errorf("press keys: %w", err)
	}
	if err := os.Rename(draft.Name(), l.file); err != nil {
		return fmt.Errorf("press keys: %w", err)
	}
	return nil
}

// Errors of a change.
var (
	ErrUsed    = errors.New("the token has been used by another device")
	ErrExpired = errors.New("the token has expired")
	ErrRevoked = errors.New("the token is withdrawn")
	ErrUnknown = errors.New("no such token, key or press is in the list")
	ErrKnown   = errors.New("the key is in the list already")
)

func tidy(presses []string) []string {
	presses = slices.Clone(presses)
	slices.Sort(presses)
	return slices.Compact(presses)
}

// NewToken puts a token for presses on the list, good for a time from now, and
// returns its secret, which is nowhere else: the list holds a hash of it.
func (l *List) NewToken(presses []string, good time.Duration, now time.Time) (e Entry, secret string, err error) {
	id, secret := enrol.NewSecret()
	// The lowest cost: what is hashed is 130 random bits, which no speed of
	// trying finds; a word that people choose would need more.
	hash, err := bcrypt.GenerateFromPassword([]byte(secret), bcrypt.MinCost)
	if err != nil {
		return e, "", fmt.Errorf("press keys: %w", err)
	}
	now = now.UTC().Truncate(time.Second)
	e = Entry{ID: id, Presses: tidy(presses), Created: now, Expires: now.Add(good), Secret: string(hash)}
	err = l.change(func(list []Entry) ([]Entry, error) { return append(list, e), nil })
	return e, secret, err
}

// AddKey puts a public key on the list without a token.
func (l *List) AddKey(presses []string, key, device string, now time.Time) (Entry, error) {
	id, _ := enrol.NewSecret()
	now = now.UTC().Truncate(time.Second)
	e := Entry{ID: id, Presses: tidy(presses), Created: now, Key: key, Device: device, Enrolled: now}
	return e, l.change(func(list []Entry) ([]Entry, error) {
		for _, o := range list {
			if o.Key == key && o.Revoked.IsZero() {
				return nil, ErrKnown
			}
		}
		return append(list, e), nil
	})
}

// Use a token for a key. The same key again is answered as the first time, so
// that a device whose answer was lost may ask again.
func (l *List) Use(id, key, device string, now time.Time) (used Entry, err error) {
	err = l.change(func(list []Entry) ([]Entry, error) {
		i := slices.IndexFunc(list, func(e Entry) bool { return e.ID == id })
		if i < 0 {
			return nil, ErrUnknown
		}
		e := &list[i]
		switch {
		case !e.Revoked.IsZero():
			return nil, ErrRevoked
		case e.Key == key:
		case e.Key != "":
			return nil, ErrUsed
		case !now.Before(e.Expires):
			return nil, ErrExpired
		case slices.ContainsFunc(list, func(o Entry) bool { return o.Key == key }):
			return nil, ErrKnown
		default:
			e.Key, e.Device, e.Enrolled = key, device, now.UTC().Truncate(time.Second)
		}
		used = *e
		return list, nil
	})
	return used, err
}

// Revoke what an id, a public key or a press names, and return it.
func (l *List) Revoke(what string, now time.Time) (out []Entry, err error) {
	err = l.change(func(list []Entry) ([]Entry, error) {
		for i := range list {
			e := &list[i]
			if e.Revoked.IsZero() && (e.ID == what || e.Key == what || slices.Contains(e.Presses, what)) {
				e.Revoked = now.UTC().Truncate(time.Second)
				out = append(out, *e)
			}
		}
		if len(out) == 0 {
			return nil, ErrUnknown
		}
		return list, nil
	})
	return out, err
}

// Merge the list of another server of the cluster into this one, and say
// whether this one changed. What is not valid is passed over.
func (l *List) Merge(others []Entry) (changed bool, err error) {
	own, err := l.Read()
	if err != nil {
		return false, err
	}
	if _, changed = merge(own, others); !changed {
		return false, nil
	}
	return true, l.change(func(list []Entry) ([]Entry, error) {
		list, _ = merge(list, others)
		return list, nil
	})
}

// merge is commutative and goes one way: waiting, enrolled, revoked. One token
// used for two keys at once, at two servers that did not see each other, is
// revoked: nobody can tell which device is the right one.
func merge(own, others []Entry) (list []Entry, changed bool) {
	list = slices.Clone(own)
	now := time.Now()
	for _, o := range others {
		if o.valid() != nil || o.Key == "" && !o.Expires.IsZero() && now.After(o.Expires.Add(forgotten)) {
			continue
		}
		i := slices.IndexFunc(list, func(e Entry) bool { return e.ID == o.ID })
		if i < 0 {
			list, changed = append(list, o), true
			continue
		}
		e := list[i]
		switch {
		case e.Key == "" && o.Key != "":
			e.Key, e.Device, e.Enrolled = o.Key, o.Device, o.Enrolled
		case e.Key != "" && o.Key != "" && e.Key != o.Key:
			later := e.Enrolled
			if o.Enrolled.After(later) {
				later = o.Enrolled
			}
			if o.Key < e.Key {
				e.Key, e.Device, e.Enrolled = o.Key, o.Device, o.Enrolled
			}
			if e.Revoked.IsZero() || later.Before(e.Revoked) {
				e.Revoked = later
			}
		}
		if !o.Revoked.IsZero() && (e.Revoked.IsZero() || o.Revoked.Before(e.Revoked)) {
			e.Revoked = o.Revoked
		}
		if e.Key != list[i].Key || !e.Revoked.Equal(list[i].Revoked) {
			list[i], changed = e, true
		}
	}
	return list, changed
}
