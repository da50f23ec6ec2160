package warehouse

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// A backup is a directory: manifest.json, tables/TABLE-PART-NNNN.native.zst, and what the program adds (keys, config).
// Each table file is a whole stream of ClickHouse's Native format inside zstd, small enough for one INSERT, so that it
// can be read without this program. SHA256SUMS lists every other file, as sha256sum -c reads it.
//
// Rejected: ALTER TABLE … FREEZE. It works in the embedded engine, but each table is frozen at another moment, its parts
// can be read only by an engine that is not older, and it reaches no server elsewhere. SQL BACKUP is not in the engine.
const (
	backupFormat = 1
	manifestName = "manifest.json"
	sumsName     = "SHA256SUMS"
)

// BackupManifest says what a backup holds and of what it is a copy.
type BackupManifest struct {
	Format      int               `json:"format"`  // of the backup itself
	Program     string            `json:"program"` // version of the program that made it
	Made        time.Time         `json:"made"`
	Server      string            `json:"server"` // version of ClickHouse
	WarehouseID string            `json:"warehouse_id"`
	Schema      int               `json:"schema"`       // highest step of the schema
	Rules       uint32            `json:"rules"`        // accounting rules of the projections, 0: none were made
	Pos         uint64            `json:"pos"`          // events up to this insert number are in it
	RegistryRev uint64            `json:"registry_rev"` // revisions up to this one are in it
	Events      int64             `json:"events"`
	Tables      []BackupTable     `json:"tables"`
	Checksums   map[string]string `json:"checksums,omitempty"` // of the projections as of pos; missing where the line was busy
	Files       []BackupFile      `json:"files"`               // every file but this one and SHA256SUMS
}

// BackupTable is one table of a backup.
type BackupTable struct {
	Name    string   `json:"name"`
	Columns []string `json:"columns"`
	Rows    int64    `json:"rows"` // over all files; a small table may be in it twice, the second time as it was later
}

// BackupFile is one file of a backup.
type BackupFile struct {
	Path   string `json:"path"` // with slashes, below the backup's directory
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
	Table  string `json:"table,omitempty"` // empty: no table's
	Rows   int64  `json:"rows,omitempty"`
}

// ID names the backup: the SHA-256 of its manifest.
func (m *BackupManifest) ID() string {
	text, err := json.Marshal(m)
	if err != nil {
		return ""
	}
	h := sha256.Sum256(text)
	return hex.EncodeToString(h[:])
}

// Bytes is the size of all files.
func (m *BackupManifest) Bytes() (n int64) {
	for _, f := range m.Files {
		n += f.Bytes
	}
	return n
}

// BackupDraft is a backup that is being written, beside the place where it will be.
type BackupDraft struct {
	dir, tmp string
	m        BackupManifest
}

// NewBackup begins a backup that will be at dir, which must not exist or be empty. What is written lies beside it, under
// a name with a dot, until Finish; only this user may read it.
func NewBackup(dir, program string) (*BackupDraft, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	switch list, err := os.ReadDir(dir); {
	case err == nil && len(list) > 0:
		return nil, fmt.Errorf("backup: %s is not empty: give a new directory for each backup", dir)
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("backup: %w", err)
	}
	if err := os.MkdirAll(filepath.Dir(dir), 0o700); err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	tmp, err := os.MkdirTemp(filepath.Dir(dir), "."+filepath.Base(dir)+".partial-")
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	return &BackupDraft{dir: dir, tmp: tmp, m: BackupManifest{Format: backupFormat, Program: program, Made: time.Now().UTC().Truncate(time.Second)}}, nil
}

// Discard removes what was written; after Finish it does nothing.
func (d *BackupDraft) Discard() {
	if d.tmp != "" {
		os.RemoveAll(d.tmp)
	}
}

// AddFile copies a file into the backup.
func (d *BackupDraft) AddFile(from, name string) error {
	src, err := os.Open(from)
	if err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	defer src.Close()
	f, err := d.create(name)
	if err != nil {
		return err
	}
	_, err = io.Copy(f, src)
	return f.finish(BackupFile{Path: name}, err)
}

// Finish writes the manifest and the sums and puts the backup in its place, whole or not at all.
func (d *BackupDraft) Finish() (*BackupManifest, error) {
	slices.SortFunc(d.m.Files, func(a, b BackupFile) int { return strings.Compare(a.Path, b.Path) })
	text, err := json.MarshalIndent(&d.m, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	files := d.m.Files
	var sums bytes.Buffer
	for _, part := range []struct {
		name string
		text func() []byte
	}{
		{manifestName, func() []byte { return append(text, '\n') }},
		{sumsName, func() []byte {
			for _, f := range d.m.Files {
				fmt.Fprintf(&sums, "%s  %s\n", f.SHA256, f.Path)
			}
			return sums.Bytes()
		}},
	} {
		f, err := d.create(part.name)
		if err != nil {
			return nil, err
		}
		_, err = f.Write(part.text())
		if err := f.finish(BackupFile{Path: part.name}, err); err != nil {
			return nil, err
		}
	}
	d.m.Files = files
	var dirs []string
	err = filepath.WalkDir(d.tmp, func(path string, e fs.DirEntry, err error) error {
		if err == nil && e.IsDir() {
			dirs = append(dirs, path)
		}
		return err
	})
	for _, dir := range slices.Backward(dirs) {
		err = errors.Join(err, syncDir(dir))
	}
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	if err := os.Rename(d.tmp, d.dir); err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	d.tmp = ""
	return &d.m, syncDir(filepath.Dir(d.dir))
}

func syncDir(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// draftFile is a file of a draft, hashed while it is written.
type draftFile struct {
	d   *BackupDraft
	f   *os.File
	buf *bufio.Writer
	sum hash.Hash
	n   int64
}

func (d *BackupDraft) create(name string) (*draftFile, error) {
	path := filepath.Join(d.tmp, filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	return &draftFile{d: d, f: f, buf: bufio.NewWriterSize(f, 1<<18), sum: sha256.New()}, nil
}

func (f *draftFile) Write(p []byte) (int, error) {
	f.sum.Write(p)
	f.n += int64(len(p))
	return f.buf.Write(p)
}

// finish closes the file, safe on disk, and lists it unless err says that it is not whole.
func (f *draftFile) finish(entry BackupFile, err error) error {
	err = errors.Join(err, f.buf.Flush(), f.f.Sync(), f.f.Close())
	if err != nil {
		return fmt.Errorf("backup: %s: %w", entry.Path, err)
	}
	entry.Bytes, entry.SHA256 = f.n, hex.EncodeToString(f.sum.Sum(nil))
	f.d.m.Files = append(f.d.m.Files, entry)
	return nil
}

// DamagedBackupError says what of a backup is not as it was written.
type DamagedBackupError struct {
	Dir      string
	Problems []string
}

func (e *DamagedBackupError) Error() string {
	const most = 5
	text := strings.Join(e.Problems[:min(most, len(e.Problems))], "; ")
	if more := len(e.Problems) - most; more > 0 {
		text += fmt.Sprintf("; and %d more", more)
	}
	return fmt.Sprintf("the backup %s is damaged: %s", e.Dir, text)
}

// VerifyBackup reads every file of a backup and compares it with the sums and the manifest. It returns the manifest,
// or a *DamagedBackupError that names every file that is damaged, missing or not listed. progress, if not nil, is
// called with the bytes read and in all.
func VerifyBackup(ctx context.Context, dir string, progress func(done, total int64)) (*BackupManifest, error) {
	text, err := os.ReadFile(filepath.Join(dir, manifestName))
	if err != nil {
		return nil, fmt.Errorf("%s is no backup: %w", dir, err)
	}
	sums, err := readSums(filepath.Join(dir, sumsName))
	if err != nil {
		return nil, err
	}
	bad := &DamagedBackupError{Dir: dir}
	m := &BackupManifest{}
	if h := sha256.Sum256(text); sums[manifestName] != hex.EncodeToString(h[:]) {
		bad.Problems = append(bad.Problems, manifestName+" has another sum")
		return nil, bad
	}
	if err := json.Unmarshal(text, m); err != nil {
		return nil, fmt.Errorf("backup %s: %s: %w", dir, manifestName, err)
	}
	if m.Format != backupFormat {
		return nil, fmt.Errorf("backup %s has format %d and this program knows %d: use another version of downweb", dir, m.Format, backupFormat)
	}
	listed := map[string]bool{manifestName: true, sumsName: true}
	total, done := m.Bytes(), int64(0)
	for _, f := range m.Files {
		if !fs.ValidPath(f.Path) {
			bad.Problems = append(bad.Problems, fmt.Sprintf("%q is no path below it", f.Path))
			continue
		}
		listed[f.Path] = true
		sum, n, err := sumOf(ctx, filepath.Join(dir, filepath.FromSlash(f.Path)))
		switch {
		case ctx.Err() != nil:
			return nil, ctx.Err()
		case errors.Is(err, fs.ErrNotExist):
			bad.Problems = append(bad.Problems, f.Path+" is missing")
		case err != nil:
			bad.Problems = append(bad.Problems, err.Error())
		case n != f.Bytes:
			bad.Problems = append(bad.Problems, fmt.Sprintf("%s has %d bytes, not %d", f.Path, n, f.Bytes))
		case sum != f.SHA256 || sum != sums[f.Path]:
			bad.Problems = append(bad.Problems, f.Path+" has another sum")
		}
		if done += f.Bytes; progress != nil {
			progress(done, total)
		}
	}
	err = filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		rel, err := filepath.Rel(dir, path)
		if rel = filepath.ToSlash(rel); err == nil && !listed[rel] {
			bad.Problems = append(bad.Problems, rel+" does not belong to it")
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("backup %s: %w", dir, err)
	}
	if len(bad.Problems) > 0 {
		return nil, bad
	}
	return m, nil
}

func readSums(file string) (map[string]string, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	out := map[string]string{}
	for line := range strings.Lines(string(text)) {
		if sum, name, ok := strings.Cut(strings.TrimSuffix(line, "\n"), "  "); ok {
			out[name] = sum
		}
	}
	return out, nil
}

func sumOf(ctx context.Context, file string) (sum string, n int64, err error) {
	f, err := os.Open(file)
	if err != nil {
		return "", 0, err
	}
	defer f.Close()
	h := sha256.New()
	for buf := make([]byte, 1<<20); ; {
		k, err := f.Read(buf)
		h.Write(buf[:k])
		n += int64(k)
		if err == io.EOF {
			return hex.EncodeToString(h.Sum(nil)), n, nil
		}
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return "", n, err
		}
	}
}
