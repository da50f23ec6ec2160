package eventlog

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"
)

// Badges turns crew badges into pseudonyms with one key per plant and month,
// so that the log never holds a badge and deleting a month's key forgets who
// was who in it.
type Badges struct {
	dir string

	mu   sync.Mutex
	keys map[string][]byte
}

// NewBadges keeps its keys in dir, one file of mode 0600 per plant and month,
// made when first needed.
func NewBadges(dir string) *Badges { return &Badges{dir: dir, keys: map[string][]byte{}} }

// Pseudonym is the first 10 hexadecimal digits of HMAC-SHA256(key of the
// plant and the UTC month of at, badge). An empty badge stays empty.
func (b *Badges) Pseudonym(plant string, at time.Time, badge string) (string, error) {
	if badge == "" {
		return "", nil
	}
	if !isSlug(plant) {
		return "", fmt.Errorf("badge key: plant %.50q is no slug", plant)
	}
	key, err := b.key(plant + "-" + at.UTC().Format("2006-01"))
	if err != nil {
		return "", fmt.Errorf("badge key: %w", err)
	}
	m := hmac.New(sha256.New, key)
	m.Write([]byte(badge))
	return hex.EncodeToString(m.Sum(nil))[:10], nil
}

func (b *Badges) key(name string) ([]byte, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if k := b.keys[name]; k != nil {
		return k, nil
	}
	path := filepath.Join(b.dir, name+".key")
	k, err := readKey(path)
	if errors.Is(err, fs.ErrNotExist) {
		if k, err = makeKey(b.dir, path); err == nil {
			k, err = readKey(path) // another process may have been first
		}
	}
	if err != nil {
		return nil, err
	}
	b.keys[name] = k
	return k, nil
}

func readKey(path string) ([]byte, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	k, err := hex.DecodeString(strings.TrimSpace(string(text)))
	if err != nil || len(k) != 32 {
		return nil, fmt.Errorf("%s does not hold 64 hexadecimal digits", path)
	}
	return k, nil
}

// makeKey writes a whole file beside and links it to its name, so that no
// reader sees half of it and the first of two writers wins.
func makeKey(dir, path string) ([]byte, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, err
	}
	k := make([]byte, 32)
	if _, err := rand.Read(k); err != nil {
		return nil, err
	}
	f, err := os.CreateTemp(dir, ".key-*") // mode 0600
	if err != nil {
		return nil, err
	}
	defer func() { _ = os.Remove(f.Name()) }()
	_, err = f.WriteString(hex.EncodeToString(k) + "\n")
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return nil, err
	}
	if err := os.Link(f.Name(), path); err != nil && !errors.Is(err, fs.ErrExist) {
		return nil, err
	}
	return k, nil
}
