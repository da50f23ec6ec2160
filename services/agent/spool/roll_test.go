package spool

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"path/filepath"
	"testing"

	bolt "go.etcd.io/bbolt"
	"pgregory.net/rapid"
)

func keepAll(_ *Rolled, _ string, rec []byte) ([]byte, error) { return rec, nil }

// TestRoll: of events, keys, damaged blocks and bounds, whatever there was,
// the new epoch holds what lay above keep in order and without a hole, under
// numbers from 1; keys find their events; it is the same after opening again.
func TestRoll(t *testing.T) {
	dir, n := t.TempDir(), 0
	rapid.Check(t, func(t *rapid.T) {
		n++
		path := filepath.Join(dir, fmt.Sprint(n, ".db"))
		s, err := Open(path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = s.Close() }()
		type event struct {
			seq uint64
			rec string
		}
		presses := []string{"a/1", "a/2", "b/1"}
		want := map[string][]event{}
		keep := map[string]uint64{}
		kept := map[string]bool{} // key -> its event is kept
		seqs := map[string]uint64{}
		for _, p := range presses {
			last := uint64(0)
			for range rapid.IntRange(0, 6).Draw(t, "blocks") {
				b := Block{Press: p, First: last + 1}
				for range rapid.IntRange(1, 20).Draw(t, "events") {
					last++
					rec := fmt.Sprintf("%s-%d", p, last)
					b.Add(append(binary.AppendUvarint(nil, uint64(len(rec))), rec...), int64(last))
					want[p] = append(want[p], event{last, rec})
				}
				batch := &Batch{Blocks: []Block{b}, Keys: []Key{{Press: p, Kind: 15, Key: fmt.Sprint(last), Seq: last, Accepted: 1}}}
				seqs[fmt.Sprint(p, last)] = last
				if err := s.Commit(batch); err != nil {
					t.Fatal(err)
				}
			}
			if last > 0 {
				if _, err := s.Trim(p, rapid.Uint64Range(0, last).Draw(t, "mark")); err != nil {
					t.Fatal(err)
				}
				keep[p] = rapid.Uint64Range(0, last).Draw(t, "keep")
			}
			from := max(keep[p], s.State(p).Trimmed)
			var left []event
			bad := [2]uint64{}
			if rapid.IntRange(0, 3).Draw(t, "damage") == 0 {
				bad = damage(t, s, p)
			}
			for _, e := range want[p] {
				if e.seq > from && (e.seq < bad[0] || e.seq > bad[1]) {
					left = append(left, e)
				}
			}
			want[p] = left
			for _, e := range left {
				kept[fmt.Sprint(p, e.seq)] = true
			}
		}
		old := s.Epoch()
		r, err := s.Roll(keep, keepAll)
		if err != nil {
			t.Fatal(err)
		}
		if r.Old != old || r.New == old || s.Epoch() != r.New {
			t.Fatalf("%+v", r)
		}
		check := func(s *Spool) {
			held, _ := s.Held()
			sum := int64(0)
			for _, p := range presses {
				st := s.State(p)
				sum += st.Bytes
				if st.Last != uint64(len(want[p])) || st.Trimmed != 0 {
					t.Fatalf("%s: %+v, want %d", p, st, len(want[p]))
				}
				i := 0
				for from := uint64(1); ; {
					b, err := s.Read(p, from, 7, 1<<20)
					if err != nil {
						t.Fatal(err)
					}
					if b == nil {
						break
					}
					if b.First != from {
						t.Fatalf("%s: block from %d, want %d", p, b.First, from)
					}
					if _, err := EachRecord(b.Records, func(rec []byte) ([]byte, error) {
						if string(rec) != want[p][i].rec {
							t.Fatalf("%s seq %d: %s, want %s", p, i+1, rec, want[p][i].rec)
						}
						if seq, ok := r.Presses[p].Seq(want[p][i].seq); !ok || seq != uint64(i+1) {
							t.Fatalf("renumbered to %d, %v", seq, ok)
						}
						i++
						return rec, nil
					}); err != nil {
						t.Fatal(err)
					}
					from = b.Last() + 1
				}
				if i != len(want[p]) {
					t.Fatalf("%s: %d events, want %d", p, i, len(want[p]))
				}
				for id, seq := range seqs {
					if len(id) < len(p) || id[:len(p)] != p || id != fmt.Sprint(p, seq) {
						continue
					}
					k, ok, err := s.Key(p, 15, fmt.Sprint(seq))
					if err != nil || !ok {
						t.Fatalf("key %s: %v %v", id, ok, err)
					}
					now, moved := r.Presses[p].Seq(seq)
					if moved != kept[id] || moved && (k.Epoch != r.New || k.Seq != now) || !moved && (k.Epoch != old || k.Seq != seq) {
						t.Fatalf("key %s: %+v, moved %v, kept %v", id, k, moved, kept[id])
					}
				}
			}
			if held != sum {
				t.Fatalf("held %d, sum %d", held, sum)
			}
			if lost, err := s.Lost(); err != nil || len(lost) != 0 {
				t.Fatalf("%v %v", lost, err)
			}
		}
		check(s)
		if _, unproven := s.Bound("a/1"); unproven {
			t.Fatal("unproven after a roll")
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		again, err := Open(path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = again.Close() }()
		if again.Epoch() != r.New {
			t.Fatal("another epoch after opening again")
		}
		check(again)
		for _, p := range presses {
			if b, unproven := again.Bound(p); !unproven || b != uint64(len(want[p])) {
				t.Fatalf("%s: bound %d, %v", p, b, unproven)
			}
		}
	})
}

// damage flips a bit in one block of a press and returns its range.
func damage(t fataler, s *Spool, press string) (bad [2]uint64) {
	err := s.db.Update(func(tx *bolt.Tx) error {
		b := tx.Bucket(bucketBlocks).Bucket([]byte(press))
		if b == nil {
			return nil
		}
		k, v := b.Cursor().First()
		if k == nil {
			return nil
		}
		first := bytes.Clone(k)
		v = bytes.Clone(v)
		v[len(v)-1] ^= 4
		bad = [2]uint64{binary.BigEndian.Uint64(k), s.presses[press].last}
		if next, _ := b.Cursor().Seek(be(bad[0] + 1)); next != nil {
			bad[1] = binary.BigEndian.Uint64(next) - 1
		}
		return b.Put(first, v)
	})
	if err != nil {
		t.Fatal(err)
	}
	return bad
}

// TestBound: it is made when a file is opened, stays until Prove, and is made
// anew at the next opening.
func TestBound(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.db")
	open := func() *Spool {
		s, err := Open(path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	more := func(s *Spool) {
		if err := s.Commit(&Batch{Blocks: []Block{block("a/1", s.State("a/1").Last+1, 5, 1)}}); err != nil {
			t.Fatal(err)
		}
	}
	want := func(s *Spool, seq uint64, unproven bool) {
		t.Helper()
		if b, u := s.Bound("a/1"); b != seq || u != unproven {
			t.Fatalf("bound %d, %v; want %d, %v", b, u, seq, unproven)
		}
	}
	shut := func(s *Spool) {
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	s := open()
	want(s, 0, false)
	more(s)
	shut(s)
	for range 2 {
		s = open()
		want(s, 5, true)
		more(s)
		shut(s)
	}
	s = open()
	want(s, 5, true)
	if err := s.Prove(); err != nil {
		t.Fatal(err)
	}
	want(s, 0, false)
	more(s)
	shut(s)
	s = open()
	want(s, 20, true)
	shut(s)
}

// FuzzEachRecord: no bytes panic, and what is walked is kept.
func FuzzEachRecord(f *testing.F) {
	f.Add([]byte{1, 'a', 2, 'b', 'c'})
	f.Add([]byte{200, 1})
	f.Fuzz(func(t *testing.T, b []byte) {
		out, err := EachRecord(b, func(rec []byte) ([]byte, error) { return rec, nil })
		if err != nil {
			return
		}
		again, err := EachRecord(out, func(rec []byte) ([]byte, error) { return rec, nil })
		if err != nil || !bytes.Equal(out, again) {
			t.Fatalf("%x, %x, %v", out, again, err)
		}
	})
}
