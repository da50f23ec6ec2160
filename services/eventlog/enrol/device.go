package enrol

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"

	"github.com/downweb/downweb/services/eventlog"
)

// Identity is what a device keeps of its enrolment, in one file for its owner
// alone. The seed never leaves it.
type Identity struct {
	// Seed of the device's NKEY, and its public half.
	Seed string `json:"seed"`
	Key  string `json:"key"`
	// Server, Pins and Plain as the token said.
	Server string   `json:"server,omitempty"`
	Pins   []string `json:"pins,omitempty"`
	Plain  bool     `json:"plain,omitempty"`
	// Presses that the server lets the key serve, as plant/press.
	Presses  []string  `json:"presses,omitempty"`
	Enrolled time.Time `json:"enrolled"`
}

// IdentityFile in a directory of keys.
func IdentityFile(dir string) string { return filepath.Join(dir, "press.json") }

// Load the identity of a directory; os.ErrNotExist where there is none.
func Load(dir string) (*Identity, error) { return load(IdentityFile(dir)) }

func load(file string) (*Identity, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("identity: %w", err)
	}
	i := &Identity{}
	if err := json.Unmarshal(text, i); err != nil {
		return nil, fmt.Errorf("identity %s: %w", file, err)
	}
	kp, err := nkeys.FromSeed([]byte(i.Seed))
	if err != nil {
		return nil, fmt.Errorf("identity %s: %w", file, err)
	}
	if public, err := kp.PublicKey(); err != nil || public != i.Key {
		return nil, fmt.Errorf("identity %s: key and seed do not belong together", file)
	}
	return i, nil
}

// TLS by which the device knows its server.
func (i *Identity) TLS() eventlog.TLS {
	return eventlog.TLS{Pins: i.Pins, Required: len(i.Pins) > 0 || eventlog.Remote(i.Server) && !i.Plain}
}

// Make an identity with a new key for a log server whose users are kept by
// hand, and store it.
func Make(dir, server string, presses []string) (*Identity, error) {
	i, err := newIdentity()
	if err != nil {
		return nil, err
	}
	i.Server, i.Presses, i.Enrolled = server, presses, time.Now().UTC().Truncate(time.Second)
	return i, i.save(dir, IdentityFile(dir))
}

func newIdentity() (*Identity, error) {
	kp, err := nkeys.CreateUser()
	if err != nil {
		return nil, fmt.Errorf("make a key: %w", err)
	}
	seed, err := kp.Seed()
	if err != nil {
		return nil, fmt.Errorf("make a key: %w", err)
	}
	public, err := kp.PublicKey()
	if err != nil {
		return nil, fmt.Errorf("make a key: %w", err)
	}
	return &Identity{Seed: string(seed), Key: public}, nil
}

// save whole or not at all, for the owner of the directory alone.
func (i *Identity) save(dir, file string) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("identity: %w", err)
	}
	text, err := json.MarshalIndent(i, "", "  ")
	if err != nil {
		return fmt.Errorf("identity: %w", err)
	}
	f, err := os.CreateTemp(dir, ".press.*") // mode 0600
	if err != nil {
		return fmt.Errorf("identity: %w", err)
	}
	defer func() { _ = os.Remove(f.Name()) }()
	_, err = f.Write(append(text, '\n'))
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("identity: %w", err)
	}
	if err := adopt(dir, f.Name()); err != nil {
		return fmt.Errorf("identity: %w", err)
	}
	if err := os.Rename(f.Name(), file); err != nil {
		return fmt.Errorf("identity: %w", err)
	}
	return nil
}

// Errors of Enrol that trying again does not mend.
var (
	// ErrRefused: the server's reason follows.
	ErrRefused = errors.New("the server refused")
	// ErrUnknownToken: the server knows no such token, or not with this secret.
	ErrUnknownToken = errors.New("the server does not know this token: it is wrong, withdrawn or expired")
)

// Enrol makes a key in dir, shows its public half to the server with the
// token, and stores what Load then gives. The key is on disk before the server
// hears of it, so after an error (no answer, a power cut) the same token may be
// tried again on this device; on any other it is used up.
func Enrol(ctx context.Context, dir string, t Token, device string) (*Identity, error) {
	draft := filepath.Join(dir, "press-"+t.ID+".json")
	i, err := load(draft)
	if errors.Is(err, os.ErrNotExist) {
		if i, err = newIdentity(); err == nil {
			err = i.save(dir, draft)
		}
	}
	if err != nil {
		return nil, err
	}
	i.Server, i.Pins, i.Plain = t.Server, t.Pins, t.Plain
	if i.Presses, err = ask(ctx, i, t, device); err != nil {
		return nil, err
	}
	i.Enrolled = time.Now().UTC().Truncate(time.Second)
	if err := i.save(dir, IdentityFile(dir)); err != nil {
		return nil, err
	}
	_ = os.Remove(draft) // the key is in the identity now
	return i, nil
}

func ask(ctx context.Context, i *Identity, t Token, device string) ([]string, error) {
	kp, err := nkeys.FromSeed([]byte(i.Seed))
	if err != nil {
		return nil, fmt.Errorf("key: %w", err)
	}
	sig, err := kp.Sign(signed(t.ID, i.Key, device))
	if err != nil {
		return nil, fmt.Errorf("key: %w", err)
	}
	text, err := json.Marshal(Request{Key: i.Key, Device: device, Signature: sig})
	if err != nil {
		return nil, fmt.Errorf("enrol: %w", err)
	}
	nc, err := eventlog.ConnectOnce(ctx, t.Server, User(t.ID), t.Secret, Inbox(t.ID), i.TLS())
	switch {
	case errors.Is(err, nats.ErrAuthorization):
		return nil, ErrUnknownToken
	case err != nil:
		return nil, fmt.Errorf("enrol at %s: %w", t.Server, err)
	}
	defer nc.Close()
	m, err := nc.RequestWithContext(ctx, Subject(t.ID), text)
	if err != nil {
		return nil, fmt.Errorf("enrol at %s: %w", t.Server, err)
	}
	var r Reply
	if err := json.Unmarshal(m.Data, &r); err != nil {
		return nil, fmt.Errorf("enrol at %s: %w", t.Server, err)
	}
	if r.Error != "" {
		return nil, fmt.Errorf("%w: %s", ErrRefused, r.Error)
	}
	return r.Presses, nil
}
