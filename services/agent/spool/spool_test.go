package spool

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"
	"pgregory.net/rapid"
)

func record(n int) []byte {
	b := fmt.Appendf(nil, "event %d", n)
	return append(binary.AppendUvarint(nil, uint64(len(b))), b...)
}

func block(press string, first uint64, count int, content int) Block {
	b := Block{Press: press, First: first}
	for i := range count {
		b.Add(record(content+i), int64(1000*(content+i)))
	}
	return b
}

// TestModel: appends, trims, reads, looks, copies taken at any moment (a
// crash: bbolt's file is whole after each commit) and reopenings, against a
// model of plain slices.
func TestModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp("", "spool")
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = os.RemoveAll(dir) }()
		path := filepath.Join(dir, "a.db")
		const maxBytes = 4000
		open := func() *Spool {
			s, err := Open(path, Options{MaxBytes: maxBytes})
			if err != nil {
				t.Fatal(err)
			}
			return s
		}
		s := open()
		defer func() { _ = s.Close() }()
		epoch := s.Epoch()

		type model struct {
			events  []int // content by seq-1
			trimmed uint64
			bounds  []uint64 // last seq of each block
		}
		presses := []string{"a/1", "a/10", "b/1"}
		m := map[string]*model{}
		for _, p := range presses {
			m[p] = &model{}
		}
		positions := map[string]string{}
		content := 0

		check := func() {
			for _, p := range presses {
				mo, st := m[p], s.State(p)
				if st.Last != uint64(len(mo.events)) || st.Trimmed != mo.trimmed {
					t.Fatalf("%s: state %+v, model last %d trimmed %d", p, st, len(mo.events), mo.trimmed)
				}
				from := mo.trimmed + 1
				for {
					b, err := s.Read(p, from, 7, 200)
					if err != nil {
						t.Fatal(err)
					}
					if b == nil {
						break
					}
					if b.First != from || b.Count == 0 {
						t.Fatalf("%s: read from %d gave %d+%d", p, from, b.First, b.Count)
					}
					rest := b.Records
					for seq := b.First; seq <= b.Last(); seq++ {
						want := record(mo.events[seq-1])
						if len(rest) < len(want) || string(rest[:len(want)]) != string(want) {
							t.Fatalf("%s/%d differs", p, seq)
						}
						rest = rest[len(want):]
					}
					if len(rest) != 0 {
						t.Fatalf("%s: %d bytes too many", p, len(rest))
					}
					from = b.Last() + 1
				}
				if from != uint64(len(mo.events))+1 {
					t.Fatalf("%s: reading ended before %d of %d", p, from, len(mo.events))
				}
			}
			for src, want := range positions {
				if got, err := s.Position(src); err != nil || string(got) != want {
					t.Fatalf("position %q, %v, want %q", got, err, want)
				}
			}
		}

		t.Repeat(map[string]func(*rapid.T){
			"": func(*rapid.T) {},
			"append": func(t *rapid.T) {
				b := &Batch{}
				type add struct {
					press string
					n     int
				}
				var adds []add
				size := 0
				start := content
				next := map[string]uint64{}
				for range rapid.IntRange(1, 3).Draw(t, "blocks") {
					p := rapid.SampledFrom(presses).Draw(t, "press")
					n := rapid.IntRange(1, 12).Draw(t, "events")
					if next[p] == 0 {
						next[p] = uint64(len(m[p].events)) + 1
					}
					bl := block(p, next[p], n, content)
					next[p] += uint64(n)
					content += n
					size += len(bl.encode(epoch))
					b.Blocks = append(b.Blocks, bl)
					adds = append(adds, add{p, n})
				}
				pos := fmt.Sprint(content)
				b.Positions = []Position{{Source: "file", Data: []byte(pos)}}
				held, _ := s.Held()
				err := s.Commit(b)
				if full := held > 0 && held+int64(size) > maxBytes; full != errors.Is(err, ErrFull) {
					t.Fatalf("held %d + %d: %v", held, size, err)
				}
				if errors.Is(err, ErrFull) {
					return
				}
				if err != nil {
					t.Fatal(err)
				}
				c := start
				for _, a := range adds {
					mo := m[a.press]
					for range a.n {
						mo.events = append(mo.events, c)
						c++
					}
					mo.bounds = append(mo.bounds, uint64(len(mo.events)))
				}
				positions["file"] = pos
			},
			"wrong seq": func(t *rapid.T) {
				p := rapid.SampledFrom(presses).Draw(t, "press")
				first := uint64(len(m[p].events)) + 1 + rapid.SampledFrom([]uint64{1, 1<<64 - 1}).Draw(t, "off")
				if err := s.Commit(&Batch{Blocks: []Block{block(p, first, 1, 0)}, Positions: []Position{{Source: "file", Data: []byte("x")}}}); err == nil {
					t.Fatal("a hole was committed")
				}
			},
			"trim": func(t *rapid.T) {
				p := rapid.SampledFrom(presses).Draw(t, "press")
				mo := m[p]
				mark := rapid.Uint64Range(0, uint64(len(mo.events))+1).Draw(t, "mark")
				_, err := s.Trim(p, mark)
				if mark > uint64(len(mo.events)) && mark > mo.trimmed && len(mo.events) > 0 {
					if err == nil {
						t.Fatal("trimmed above the last seq")
					}
					return
				}
				if err != nil {
					t.Fatal(err)
				}
				for _, b := range mo.bounds {
					if b <= mark {
						mo.trimmed = max(mo.trimmed, b)
					}
				}
			},
			"check": func(*rapid.T) { check() },
			"crash": func(t *rapid.T) {
				// The file as it is now, without Close, is what a kill leaves.
				snap := filepath.Join(dir, "snap.db")
				copyFile(t, path, snap)
				if err := s.Close(); err != nil {
					t.Fatal(err)
				}
				if err := os.Rename(snap, path); err != nil {
					t.Fatal(err)
				}
				s = open()
				if s.Epoch() != epoch {
					t.Fatal("another epoch")
				}
				check()
			},
			"reopen": func(t *rapid.T) {
				if err := s.Close(); err != nil {
					t.Fatal(err)
				}
				s = open()
			},
		})
		check()
	})
}

type fataler interface{ Fatal(...any) }

func copyFile(t fataler, from, to string) {
	in, err := os.Open(from)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = in.Close() }()
	out, err := os.Create(to)
	if err != nil {
		t.Fatal(err)
	}
	_, err = io.Copy(out, in)
	if err = errors.Join(err, out.Close()); err != nil {
		t.Fatal(err)
	}
}

// TestBitFlip: a damaged block is named, set aside and stepped over; the rest
// is read.
func TestBitFlip(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.db")
	s, err := Open(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		if err := s.Commit(&Batch{Blocks: []Block{block("a/1", uint64(10*i+1), 10, 10*i)}}); err != nil {
			t.Fatal(err)
		}
	}
	err = s.db.Update(func(tx *bolt.Tx) error {
		b := tx.Bucket(bucketBlocks).Bucket([]byte("a/1"))
		v := slices.Clone(b.Get(be(11)))
		v[len(v)/2] ^= 4
		return b.Put(be(11), v)
	})
	if err != nil {
		t.Fatal(err)
	}
	b, err := s.Read("a/1", 1, 1000, 1<<20)
	if err != nil || b.First != 1 || b.Last() != 10 {
		t.Fatalf("%+v, %v", b, err)
	}
	var bad *CorruptError
	if _, err = s.Read("a/1", 15, 1000, 1<<20); !errors.As(err, &bad) || bad.First != 11 || bad.Last != 20 {
		t.Fatalf("%v", err)
	}
	if err := s.Quarantine(bad); err != nil {
		t.Fatal(err)
	}
	if b, err = s.Read("a/1", 15, 1000, 1<<20); err != nil || b.First != 21 || b.Count != 10 {
		t.Fatalf("%+v, %v", b, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if s, err = Open(path, Options{}); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	lost, err := s.Lost()
	if err != nil || len(lost) != 1 || lost[0].First != 11 || lost[0].Last != 20 || lost[0].Press != "a/1" {
		t.Fatalf("%+v, %v", lost, err)
	}
	// A block under the key of another press is damage too.
	err = s.db.Update(func(tx *bolt.Tx) error {
		v := slices.Clone(tx.Bucket(bucketBlocks).Bucket([]byte("a/1")).Get(be(21)))
		b, err := tx.Bucket(bucketBlocks).CreateBucketIfNotExists([]byte("a/2"))
		if err != nil {
			return err
		}
		return errors.Join(b.Put(be(21), v), putState(tx, "a/2", 30, 0))
	})
	if err = errors.Join(err, s.load()); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Read("a/2", 21, 10, 1000); !errors.As(err, &bad) {
		t.Fatalf("misplaced block: %v", err)
	}
}

// TestCover: the set in memory, and the one on disk, against one bit per unit
// of time.
func TestCover(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.db")
	s, err := Open(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	s.db.NoSync = true // the promise tested here is of contents
	n := 0
	rapid.Check(t, func(t *rapid.T) {
		n++
		press := fmt.Sprintf("a/%d", n)
		var bits [80]bool
		c := &Cover{}
		for range rapid.IntRange(1, 25).Draw(t, "adds") {
			from := rapid.IntRange(0, 78).Draw(t, "from")
			to := rapid.IntRange(from+1, 79).Draw(t, "to")
			in, out := 0, 0
			for _, b := range bits[from:to] {
				if b {
					in++
				} else {
					out++
				}
			}
			want := Partly
			if in == 0 {
				want = Free
			} else if out == 0 {
				want = Covered
			}
			// Around 1970, where the sign changes.
			f, e := int64(from-40), int64(to-40)
			if got := c.Check(f, e); got != want {
				t.Fatalf("[%d,%d) in %v: %v, want %v", f, e, c.ivs, got, want)
			}
			if want == Partly && rapid.Bool().Draw(t, "skip") {
				continue
			}
			c.Add(f, e)
			for i := from; i < to; i++ {
				bits[i] = true
			}
			if err := s.Commit(&Batch{Covered: []Interval{{Press: press, From: f, To: e}}}); err != nil {
				t.Fatal(err)
			}
		}
		stored, err := s.Cover(press)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(stored.ivs, c.ivs) {
			t.Fatalf("stored %v, in memory %v", stored.ivs, c.ivs)
		}
		// As few intervals as there are runs, also on disk.
		runs := 0
		for i, b := range bits {
			if b && (i == 0 || !bits[i-1]) {
				runs++
			}
		}
		rows := 0
		_ = s.db.View(func(tx *bolt.Tx) error {
			return tx.Bucket(bucketCovered).Bucket([]byte(press)).ForEach(func(_, _ []byte) error { rows++; return nil })
		})
		if c.Len() != runs || rows != runs {
			t.Fatalf("%d intervals, %d rows, want %d", c.Len(), rows, runs)
		}
	})
}

func TestKeys(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.db")
	s, err := Open(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	day := int64(24 * time.Hour / time.Millisecond)
	now := time.UnixMilli(1000 * day)
	for i, age := range []int64{36, 34, 0} {
		k := Key{Press: "a/1", Kind: 15, Key: fmt.Sprint("k", i), Seq: uint64(i + 1), Earliest: -5, Accepted: 1000*day - age*day}
		if err := s.Commit(&Batch{Keys: []Key{k}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if s, err = Open(path, Options{}); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	if n, err := s.ForgetKeys(now); err != nil || n != 1 {
		t.Fatalf("%d forgotten, %v", n, err)
	}
	if _, ok, _ := s.Key("a/1", 15, "k0"); ok {
		t.Error("k0 is 36 days old and known")
	}
	if k, ok, _ := s.Key("a/1", 15, "k1"); !ok || k.Seq != 2 || k.Earliest != -5 {
		t.Errorf("k1: %+v %v", k, ok)
	}
	for _, other := range []Key{{Press: "a/1", Kind: 16, Key: "k1"}, {Press: "a/2", Kind: 15, Key: "k1"}} {
		if _, ok, _ := s.Key(other.Press, other.Kind, other.Key); ok {
			t.Errorf("%+v is known", other)
		}
	}
}

func TestOpenRefuses(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.db")
	s, err := Open(path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if s.Epoch() == 0 {
		t.Error("epoch 0")
	}
	if _, err := Open(path, Options{}); !errors.Is(err, ErrLocked) {
		t.Errorf("opened twice: %v", err)
	}
	if err := s.db.Update(func(tx *bolt.Tx) error {
		return tx.Bucket(bucketMeta).Put([]byte("version"), []byte{formatVersion + 1})
	}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(path, Options{}); !errors.Is(err, ErrFormat) {
		t.Errorf("later version: %v", err)
	}
	if err := os.WriteFile(filepath.Join(dir, "b.db"), []byte("no database at all, but long enough to be looked at"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(filepath.Join(dir, "b.db"), Options{}); err == nil {
		t.Error("opened rubbish")
	}
}

func FuzzDecodeBlock(f *testing.F) {
	b := block("a/1", 1, 3, 0)
	f.Add(b.encode(7), uint64(1))
	f.Fuzz(func(_ *testing.T, v []byte, skip uint64) {
		if len(v) >= 4 { // reach what lies behind the checksum
			v = slices.Clone(v)
			bl := Block{Press: "a/1", First: 1}
			binary.LittleEndian.PutUint32(v, bl.sum(7, v[4:]))
		}
		bl := Block{Press: "a/1", First: 1}
		if bl.decode(7, v) == nil && uint64(bl.Count) > skip {
			_ = bl.skip(skip)
		}
	})
}

func BenchmarkCommit(b *testing.B) {
	s, err := Open(filepath.Join(b.TempDir(), "a.db"), Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	next := uint64(1)
	for b.Loop() {
		batch := &Batch{}
		for range 4 {
			batch.Blocks = append(batch.Blocks, block("a/1", next, 1000, 0))
			next += 1000
		}
		if err := s.Commit(batch); err != nil {
			b.Fatal(err)
		}
		if _, err := s.Trim("a/1", next-1); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/4000, "ns/event")
}
