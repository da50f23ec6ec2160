package spool

import (
	"encoding/binary"
	"fmt"

	bolt "go.etcd.io/bbolt"
)

// Batch is what one Commit makes durable.
type Batch struct {
	Blocks    []Block
	Covered   []Interval
	Keys      []Key
	Positions []Position
}

// Interval of a press's time taken by accepted slices, unix milliseconds,
// half-open.
type Interval struct {
	Press    string
	From, To int64
}

// Key of a source for one event.
type Key struct {
	Press string
	// Kind is the number of the event's body field.
	Kind byte
	Key  string
	// Seq of the event and Epoch (0 in a Commit: the spool's); Earliest instant
	// it speaks of and Accepted, unix ms.
	Seq, Epoch         uint64
	Earliest, Accepted int64
}

// Position in a source; Data is the caller's.
type Position struct {
	Source string
	Data   []byte
}

// Commit writes a batch and syncs it. A block's First must be the press's
// last seq + 1 and so on.
func (s *Spool) Commit(b *Batch) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	var size int64
	values := make([][]byte, len(b.Blocks))
	next := map[string]uint64{}
	for i := range b.Blocks {
		bl := &b.Blocks[i]
		want, ok := next[bl.Press]
		if !ok {
			want = 1
			if p := s.presses[bl.Press]; p != nil {
				want = p.last + 1
			}
		}
		if bl.First != want || bl.Count == 0 {
			return fmt.Errorf("commit: block of %s holds %d events from seq %d, want from %d", bl.Press, bl.Count, bl.First, want)
		}
		next[bl.Press] = want + uint64(bl.Count)
		values[i] = bl.encode(s.epoch)
		size += int64(len(values[i]))
	}
	if s.held > 0 && s.held+size > s.opt.MaxBytes {
		return fmt.Errorf("commit of %d bytes to %d held: %w", size, s.held, ErrFull)
	}
	err := s.db.Update(func(tx *bolt.Tx) error {
		for i := range b.Blocks {
			bk, err := tx.Bucket(bucketBlocks).CreateBucketIfNotExists([]byte(b.Blocks[i].Press))
			if err != nil {
				return err
			}
			bk.FillPercent = 0.9 // keys only rise
			if err := bk.Put(be(b.Blocks[i].First), values[i]); err != nil {
				return err
			}
		}
		for press, n := range next {
			var trimmed uint64
			if p := s.presses[press]; p != nil {
				trimmed = p.trimmed
			}
			if err := putState(tx, press, n-1, trimmed); err != nil {
				return err
			}
		}
		for _, iv := range b.Covered {
			if err := putCovered(tx, iv); err != nil {
				return err
			}
		}
		for _, k := range b.Keys {
			if err := putKey(tx, k); err != nil {
				return err
			}
		}
		for _, p := range b.Positions {
			if err := tx.Bucket(bucketSource).Put([]byte(p.Source), p.Data); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("commit: %w", err)
	}
	for i := range b.Blocks {
		p := s.presses[b.Blocks[i].Press]
		if p == nil {
			p = &pressState{}
			s.presses[b.Blocks[i].Press] = p
		}
		p.bytes += int64(len(values[i]))
		p.last = b.Blocks[i].First + uint64(b.Blocks[i].Count) - 1
	}
	s.held += size
	s.touched(len(b.Blocks)+len(b.Covered)+len(b.Keys)+8, int(size))
	return nil
}

func putState(tx *bolt.Tx, press string, last, trimmed uint64) error {
	return tx.Bucket(bucketPress).Put([]byte(press), binary.BigEndian.AppendUint64(be(last), trimmed))
}

// Position stored for a source, nil where none is.
func (s *Spool) Position(source string) ([]byte, error) {
	var out []byte
	err := s.db.View(func(tx *bolt.Tx) error {
		if v := tx.Bucket(bucketSource).Get([]byte(source)); v != nil {
			out = append([]byte{}, v...)
		}
		return nil
	})
	return out, err
}

// Trim forgets the blocks of a press that lie wholly at or below mark, and
// returns how many events that were.
func (s *Spool) Trim(press string, mark uint64) (events uint64, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	p := s.presses[press]
	if p == nil || mark <= p.trimmed {
		return 0, nil
	}
	if mark > p.last {
		return 0, fmt.Errorf("trim %s: mark %d is above the last seq %d", press, mark, p.last)
	}
	var gone int64
	deleted, trimmed := 0, mark
	err = s.db.Update(func(tx *bolt.Tx) error {
		b := tx.Bucket(bucketBlocks).Bucket([]byte(press))
		if b == nil {
			return putState(tx, press, p.last, trimmed)
		}
		var keys [][]byte
		c := b.Cursor()
		for k, v := c.First(); k != nil; {
			first, size := binary.BigEndian.Uint64(k), int64(len(v))
			key := append([]byte{}, k...)
			k, v = c.Next()
			last := p.last
			if k != nil {
				last = binary.BigEndian.Uint64(k) - 1
			}
			if first > mark || last > mark {
				// The first block that stays: what lies before it is gone.
				trimmed = max(p.trimmed, min(mark, first-1))
				break
			}
			keys = append(keys, key)
			gone += size
			if len(keys)%16 == 0 {
				release(tx)
			}
		}
		deleted = len(keys)
		for i, k := range keys {
			if err := b.Delete(k); err != nil {
				return err
			}
			if i%16 == 15 {
				release(tx)
			}
		}
		if trimmed == p.trimmed {
			return nil
		}
		return putState(tx, press, p.last, trimmed)
	})
	if err != nil {
		return 0, fmt.Errorf("trim %s to %d: %w", press, mark, err)
	}
	events = trimmed - p.trimmed
	p.trimmed = trimmed
	p.bytes -= gone
	s.held -= gone
	s.touched(deleted+8, 0)
	return events, nil
}
