package page

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	pb "github.com/downweb/downweb/proto/gen/downweb/v1"
)

// press is what is known of a press here.
type press struct {
	id, plant, name string
	dir             string
	hurry           chan struct{} // ask for the sheet now

	act sync.Mutex // held while something is signed: one at a time

	mu      sync.Mutex
	sheet   *pb.PressSheet // nil: none has come
	fresh   bool           // the last question was answered
	book    []entry
	version uint64        // counts changes of what is shown
	changed chan struct{} // closed at the next change
}

func openPress(dir, id string, now time.Time) (*press, error) {
	plant, name, ok := strings.Cut(id, "/")
	if !ok {
		return nil, errUnknownPress
	}
	p := &press{id: id, plant: plant, name: name, dir: dir, hurry: make(chan struct{}, 1), changed: make(chan struct{}), version: uint64(now.UnixMilli())}
	if err := p.readSheet(); err != nil {
		return nil, err
	}
	return p, p.openBook(now)
}

func (p *press) file(kind string) string {
	return filepath.Join(p.dir, p.plant+"."+p.name+"."+kind)
}

// readSheet takes the kept sheet. A damaged one is passed over: it is asked for
// again.
func (p *press) readSheet() error {
	text, err := os.ReadFile(p.file("sheet"))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if len(text) < sha256.Size {
		return nil
	}
	sum, body := text[:sha256.Size], text[sha256.Size:]
	s := &pb.PressSheet{}
	if want := sha256.Sum256(body); bytes.Equal(sum, want[:]) && proto.Unmarshal(body, s) == nil {
		p.sheet = s
	}
	return nil
}

// keepSheet writes a sheet for times without a server.
func (p *press) keepSheet(s *pb.PressSheet) error {
	body, err := proto.Marshal(s)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(body)
	return replaceFile(p.file("sheet"), append(sum[:], body...))
}

// replaceFile writes a file whole: beside, synced, renamed.
func replaceFile(name string, text []byte) error {
	f, err := os.CreateTemp(filepath.Dir(name), ".new-*") // mode 0600
	if err != nil {
		return err
	}
	defer func() { _ = os.Remove(f.Name()) }()
	_, err = f.Write(text)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), name); err != nil {
		return fmt.Errorf("keep: %w", err)
	}
	if d, err := os.Open(filepath.Dir(name)); err == nil {
		_ = d.Sync() // not on every system
		_ = d.Close()
	}
	return nil
}

// answered takes the answer to a question for the sheet, and reports whether
// answers have just stopped.
func (p *press) answered(now time.Time, s *pb.PressSheet, err error) (stopped bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	stopped = p.fresh && err != nil
	news := p.fresh != (err == nil)
	p.fresh = err == nil
	if err == nil {
		news = news || !sameWork(p.sheet, s)
		p.sheet = s
	}
	if news {
		p.touch()
	}
	return stopped
}

// sameWork says whether two sheets ask for the same, whatever their age.
func sameWork(a, b *pb.PressSheet) bool {
	if a == nil || b == nil {
		return a == b
	}
	a, b = proto.CloneOf(a), proto.CloneOf(b)
	for _, x := range []*pb.PressSheet{a, b} {
		x.MadeAt, x.AsOf = nil, nil
		if x.Due != nil {
			x.Due.Frontier, x.Due.Notes = nil, nil
			for _, d := range append(x.Due.Duties, x.Due.AtJobChange...) {
				d.OverdueMs, d.Clock = min(d.OverdueMs, 1), ""
				if d.Expected {
					d.DueAt = nil
				}
			}
		}
	}
	return proto.Equal(a, b)
}

// touch tells live streams of a change. p.mu is held.
func (p *press) touch() {
	p.version++
	close(p.changed)
	p.changed = make(chan struct{})
}

// state is what is known at the moment, and what ends with the next change.
func (p *press) state() (version uint64, changed <-chan struct{}) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.version, p.changed
}

// zone of the plant; UTC where no sheet has come.
func zoneOf(s *pb.PressSheet) *time.Location {
	if z, err := time.LoadLocation(s.GetZone()); err == nil {
		return z
	}
	return time.UTC
}
