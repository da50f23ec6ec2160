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
	keys map[string]cachedKey
}

// cachedKey is a key and the file it was read from, as that was then.
type cachedKey struct {
	key  []byte
	file fs.FileInfo
}

// NewBadges keeps its keys in dir, one file of mode 0600 per plant and month,
// made when first needed.
func NewBadges(dir string) *Badges { return &Badges{dir: dir, keys: map[string]cachedKey{}} }

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
	path := filepath.Join(b.dir, name+".key")
	// A key deleted by another process is forgotten here too, at its next use.
	info, err := os.Stat(path)
	if h, ok := b.keys[name]; ok {
		if err == nil && os.SameFile(info, h.file) && info.ModTime().Equal(h.file.ModTime()) {
			return h.key, nil
		}
		clear(h.key)
		delete(b.keys, name)
	}
	k, err := readKey(path)
	if errors.Is(err, fs.ErrNotExist) {
		if k, err = makeKey(b.dir, path); err == nil {
			k, err = readKey(path) // another process may have been first
		}
	}
	if err != nil {
		return nil, err
	}
	if info, err = os.Stat(path); err != nil {
		return nil, err
	}
	b.keys[name] = cachedKey{k, info}
	return k, nil
}

// BadgeKey names a key: a plant and a UTC month "2026-06".
type BadgeKey struct{ Plant, Month string }

// Keys lists the keys that are kept, by plant and month.
func (b *Badges) Keys() ([]BadgeKey, error) {
	names, err := filepath.Glob(filepath.Join(b.dir, "*.key"))
	if err != nil {
		return nil, fmt.Errorf("badge keys: %w", err)
	}
	var out []BadgeKey
	for _, n := range names {
		name := strings.TrimSuffix(filepath.Base(n), ".key")
		if i := len(name) - len("-2006-01"); i > 0 && isSlug(name[:i]) {
			if _, err := time.Parse("2006-01", name[i+1:]); err == nil {
				out = append(out, BadgeKey{name[:i], name[i+1:]})
			}
		}
	}
	return out, nil
}

// ErrNoKey occurs when a key that is to be forgotten is not kept here.
var ErrNoKey = errors.New("there is no such badge key")

// Forget deletes a key: which badge a pseudonym of that plant and month stands
// for can no longer be told from this directory. The file is overwritten first,
// which a disk or file system may undo; copies elsewhere stay. A badge of that
// month that is taken down later gets a new key and so another pseudonym.
func (b *Badges) Forget(k BadgeKey) error {
	if !isSlug(k.Plant) {
		return fmt.Errorf("badge key: plant %.50q is no slug", k.Plant)
	}
	if t, err := time.Parse("2006-01", k.Month); err != nil || t.Format("2006-01") != k.Month {
		return fmt.Errorf("badge key: month %.20q: want YYYY-MM", k.Month)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	name := k.Plant + "-" + k.Month
	path := filepath.Join(b.dir, name+".key")
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s of %s: %w", k.Plant, k.Month, ErrNoKey)
	}
	if err != nil {
		return fmt.Errorf("badge key: %w", err)
	}
	_, err = f.WriteAt([]byte(strings.Repeat("0", 64)+"\n"), 0)
	if err = errors.Join(err, f.Sync(), f.Close(), os.Remove(path)); err != nil {
		return fmt.Errorf("badge key: %w", err)
	}
	if dir, err := os.Open(b.dir); err == nil { // the deletion itself on disk
		_ = dir.Sync()
		_ = dir.Close()
	}
	if h, ok := b.keys[name]; ok {
		clear(h.key)
		delete(b.keys, name)
	}
	return nil
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
