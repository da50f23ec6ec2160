package spool

import (
	"encoding/binary"
	"errors"
	"fmt"

	bolt "go.etcd.io/bbolt"
)

// A spool that is put back from an older copy would give seqs out a second
// time. So an opened file is unproven: up to its bound, the last seq of each
// press when it was opened, it holds what any copy of it holds; beyond,
// nothing may be sent until the warehouse has shown that it knows of no more.
// The bound stays through restarts until then. A new file is proven.

// bind loads the bound, or makes it.
func (s *Spool) bind(tx *bolt.Tx) error {
	meta, bound := tx.Bucket(bucketMeta), tx.Bucket(bucketBound)
	if meta.Get([]byte("unproven")) == nil {
		err := tx.Bucket(bucketPress).ForEach(func(k, v []byte) error {
			if len(v) != 16 {
				return fmt.Errorf("%w: state of press %s", ErrFormat, k)
			}
			return bound.Put(append([]byte{}, k...), append([]byte{}, v[:8]...))
		})
		if err := errors.Join(err, meta.Put([]byte("unproven"), []byte{1})); err != nil {
			return err
		}
	}
	s.bounds = map[string]uint64{}
	return bound.ForEach(func(k, v []byte) error {
		if len(v) != 8 {
			return fmt.Errorf("%w: bound of press %s", ErrFormat, k)
		}
		s.bounds[string(k)] = binary.BigEndian.Uint64(v)
		return nil
	})
}

// Bound of a press while the spool is unproven.
func (s *Spool) Bound(press string) (seq uint64, unproven bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.bounds[press], s.bounds != nil
}

// Prove that this file is the newest of its epoch.
func (s *Spool) Prove() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.bounds == nil {
		return nil
	}
	if err := s.db.Update(unbind); err != nil {
		return fmt.Errorf("prove: %w", err)
	}
	s.bounds = nil
	return nil
}

func unbind(tx *bolt.Tx) error {
	if err := tx.DeleteBucket(bucketBound); err != nil {
		return err
	}
	if _, err := tx.CreateBucket(bucketBound); err != nil {
		return err
	}
	return tx.Bucket(bucketMeta).Delete([]byte("unproven"))
}

// Renumbering of a press's events from one epoch to the next.
type Renumbering struct {
	runs []run
	next uint64 // the next new seq
}

type run struct{ first, last, to uint64 }

// NewRenumbering of a press that has no events yet.
func NewRenumbering() *Renumbering { return &Renumbering{next: 1} }

// Next new seq.
func (r *Renumbering) Next() uint64 { return r.next }

// Seq in the new epoch of an event; ok is false for one that stayed in the
// old epoch.
func (r *Renumbering) Seq(old uint64) (seq uint64, ok bool) {
	if r == nil {
		return 0, false
	}
	for _, x := range r.runs {
		if x.first <= old && old <= x.last {
			return x.to + old - x.first, true
		}
	}
	return 0, false
}

// Add seqs that follow the newest, and return what the first becomes.
func (r *Renumbering) Add(first, last uint64) uint64 {
	to := r.next
	r.next += last - first + 1
	if n := len(r.runs); n > 0 && r.runs[n-1].last+1 == first {
		r.runs[n-1].last = last
	} else {
		r.runs = append(r.runs, run{first, last, to})
	}
	return to
}

// Rolled is what Roll did.
type Rolled struct {
	Old, New uint64 // epochs
	Presses  map[string]*Renumbering
}

// Rewrite returns a record as it is to stand in the new epoch: events that
// name others by epoch and seq name them anew. It may return its argument.
type Rewrite func(r *Rolled, press string, record []byte) ([]byte, error)

// Roll begins a new epoch. Of each press the events above keep stay and are
// numbered anew from 1; those at or below are forgotten. Damaged blocks are
// set aside. The spool is proven then. All of it is one transaction.
func (s *Spool) Roll(keep map[string]uint64, rewrite Rewrite) (*Rolled, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	epoch, err := newEpoch()
	if err != nil {
		return nil, fmt.Errorf("roll: %w", err)
	}
	r := &Rolled{Old: s.epoch, New: epoch, Presses: map[string]*Renumbering{}}
	states := map[string]*pressState{}
	var held int64
	err = s.db.Update(func(tx *bolt.Tx) error {
		for press, p := range s.presses {
			n := NewRenumbering()
			r.Presses[press] = n
			st := &pressState{}
			states[press] = st
			if err := s.rollBlocks(tx, r, press, max(keep[press], p.trimmed), p.last, rewrite, st); err != nil {
				return err
			}
			st.last = n.next - 1
			held += st.bytes
			if err := putState(tx, press, st.last, 0); err != nil {
				return err
			}
		}
		if err := rollKeys(tx, r); err != nil {
			return err
		}
		if err := s.rollBad(tx); err != nil {
			return err
		}
		if err := unbind(tx); err != nil {
			return err
		}
		return tx.Bucket(bucketMeta).Put([]byte("epoch"), be(epoch))
	})
	if err != nil {
		return nil, fmt.Errorf("roll: %w", err)
	}
	s.epoch, s.presses, s.held, s.bounds = epoch, states, held, nil
	return r, nil
}

// rollBlocks writes a press's blocks anew.
func (s *Spool) rollBlocks(tx *bolt.Tx, r *Rolled, press string, keep, last uint64, rewrite Rewrite, st *pressState) error {
	all := tx.Bucket(bucketBlocks)
	b := all.Bucket([]byte(press))
	if b == nil {
		return nil
	}
	type kept struct {
		Block
		to uint64
	}
	var blocks []kept
	n := r.Presses[press]
	c := b.Cursor()
	for k, v := c.First(); k != nil; {
		bl := Block{Press: press, First: binary.BigEndian.Uint64(k)}
		value := append([]byte{}, v...)
		k, v = c.Next()
		end := last
		if k != nil {
			end = binary.BigEndian.Uint64(k) - 1
		}
		if end <= keep {
			continue
		}
		err := bl.decode(s.epoch, value)
		if err == nil && bl.First <= keep {
			err = bl.skip(keep - bl.First + 1)
		}
		if err != nil {
			if err := tx.Bucket(bucketBad).Put(badKey(press, bl.First, end), value); err != nil {
				return err
			}
			continue
		}
		blocks = append(blocks, kept{bl, n.Add(bl.First, bl.Last())})
	}
	if err := all.DeleteBucket([]byte(press)); err != nil {
		return err
	}
	b, err := all.CreateBucket([]byte(press))
	if err != nil {
		return err
	}
	for i := range blocks {
		bl := &blocks[i]
		bl.First = bl.to
		if bl.Records, err = EachRecord(bl.Records, func(rec []byte) ([]byte, error) { return rewrite(r, press, rec) }); err != nil {
			return err
		}
		v := bl.encode(r.New)
		st.bytes += int64(len(v))
		if err := b.Put(be(bl.First), v); err != nil {
			return err
		}
	}
	return nil
}

// EachRecord passes every record, without its length, through f.
func EachRecord(records []byte, f func([]byte) ([]byte, error)) ([]byte, error) {
	out := make([]byte, 0, len(records))
	for len(records) > 0 {
		size, w := binary.Uvarint(records)
		if w <= 0 || size > uint64(len(records)-w) {
			return nil, fmt.Errorf("%w: record length", errBlock)
		}
		rec, err := f(records[w : w+int(size)])
		if err != nil {
			return nil, err
		}
		out = append(binary.AppendUvarint(out, uint64(len(rec))), rec...)
		records = records[w+int(size):]
	}
	return out, nil
}

// rollKeys lets every source key name its event by the epoch it is in now.
func rollKeys(tx *bolt.Tx, r *Rolled) error {
	b := tx.Bucket(bucketKeys)
	type entry struct{ k, v []byte }
	var changed []entry
	err := b.ForEach(func(k, v []byte) error {
		if len(v) != 24 { // of an earlier epoch already
			return nil
		}
		press := k
		for i := range k {
			if k[i] == 0 {
				press = k[:i]
				break
			}
		}
		v = append([]byte{}, v...)
		if seq, ok := r.Presses[string(press)].Seq(binary.BigEndian.Uint64(v)); ok {
			binary.BigEndian.PutUint64(v, seq)
		} else {
			v = append(v, be(r.Old)...)
		}
		changed = append(changed, entry{append([]byte{}, k...), v})
		return nil
	})
	if err != nil {
		return err
	}
	for _, e := range changed {
		if err := b.Put(e.k, e.v); err != nil {
			return err
		}
	}
	return nil
}

// rollBad moves damaged blocks out of the way of the new epoch's.
func (s *Spool) rollBad(tx *bolt.Tx) error {
	old := tx.Bucket(bucketOld)
	err := tx.Bucket(bucketBad).ForEach(func(k, v []byte) error {
		return old.Put(append(be(s.epoch), k...), append([]byte{}, v...))
	})
	if err != nil {
		return err
	}
	if err := tx.DeleteBucket(bucketBad); err != nil {
		return err
	}
	_, err = tx.CreateBucket(bucketBad)
	return err
}

func badKey(press string, first, last uint64) []byte {
	return append([]byte(press+"\x00"), append(be(first), be(last)...)...)
}
