package spool

import (
	"encoding/binary"
	"fmt"
	"sort"
	"time"

	bolt "go.etcd.io/bbolt"
)

// Cover is a set of disjoint half-open intervals, neighbours joined, in
// order. The zero value is empty.
type Cover struct {
	ivs []span
}

type span struct{ from, to int64 }

// Overlap says how [from, to) lies to the set.
type Overlap int

// Results of Cover.Check.
const (
	Free Overlap = iota
	Partly
	Covered
)

// Check tells whether [from, to) is free, partly or wholly covered.
func (c *Cover) Check(from, to int64) Overlap {
	n := len(c.ivs)
	if n == 0 || from >= c.ivs[n-1].to {
		return Free
	}
	i := sort.Search(n, func(i int) bool { return c.ivs[i].to > from })
	switch iv := c.ivs[i]; {
	case iv.from >= to:
		return Free
	case iv.from <= from && to <= iv.to:
		return Covered
	}
	return Partly
}

// Add puts [from, to) into the set.
func (c *Cover) Add(from, to int64) {
	n := len(c.ivs)
	if n == 0 || from > c.ivs[n-1].to {
		c.ivs = append(c.ivs, span{from, to})
		return
	}
	i := sort.Search(n, func(i int) bool { return c.ivs[i].to >= from })
	j := i
	for j < n && c.ivs[j].from <= to {
		from, to = min(from, c.ivs[j].from), max(to, c.ivs[j].to)
		j++
	}
	if i == j {
		c.ivs = append(c.ivs, span{})
		copy(c.ivs[i+1:], c.ivs[i:])
		c.ivs[i] = span{from, to}
		return
	}
	c.ivs[i] = span{from, to}
	c.ivs = append(c.ivs[:i+1], c.ivs[j:]...)
}

// Len is the number of intervals.
func (c *Cover) Len() int { return len(c.ivs) }

// ms as a key whose bytes sort as the numbers do.
func msKey(ms int64) []byte { return be(uint64(ms) ^ 1<<63) }

func msOf(k []byte) int64 { return int64(binary.BigEndian.Uint64(k) ^ 1<<63) }

// putCovered joins an interval into the stored set.
func putCovered(tx *bolt.Tx, iv Interval) error {
	b, err := tx.Bucket(bucketCovered).CreateBucketIfNotExists([]byte(iv.Press))
	if err != nil {
		return err
	}
	from, to := iv.From, iv.To
	c := b.Cursor()
	k, v := c.Seek(msKey(from))
	if pk, pv := before(c, k); pk != nil && msOf(pv) >= from {
		k, v = pk, pv
	} else {
		k, v = c.Seek(msKey(from))
	}
	var gone [][]byte
	for ; k != nil && msOf(k) <= to; k, v = c.Next() {
		from, to = min(from, msOf(k)), max(to, msOf(v))
		gone = append(gone, append([]byte{}, k...))
	}
	for _, k := range gone {
		if msOf(k) != from {
			if err := b.Delete(k); err != nil {
				return err
			}
		}
	}
	return b.Put(msKey(from), msKey(to))
}

// before steps from a sought key to the one before it.
func before(c *bolt.Cursor, k []byte) ([]byte, []byte) {
	if k == nil {
		return c.Last()
	}
	return c.Prev()
}

// Cover loads the stored set of a press.
func (s *Spool) Cover(press string) (*Cover, error) {
	c := &Cover{}
	err := s.db.View(func(tx *bolt.Tx) error {
		b := tx.Bucket(bucketCovered).Bucket([]byte(press))
		if b == nil {
			return nil
		}
		return b.ForEach(func(k, v []byte) error {
			if len(k) != 8 || len(v) != 8 {
				return fmt.Errorf("%w: covered interval of %s", ErrFormat, press)
			}
			c.Add(msOf(k), msOf(v))
			return nil
		})
	})
	return c, err
}

func keyName(press string, kind byte, key string) []byte {
	return append(append([]byte(press), 0, kind), key...)
}

func putKey(tx *bolt.Tx, k Key) error {
	name := keyName(k.Press, k.Kind, k.Key)
	v := append(append(be(k.Seq), msKey(k.Earliest)...), msKey(k.Accepted)...)
	if err := tx.Bucket(bucketKeys).Put(name, v); err != nil {
		return err
	}
	return tx.Bucket(bucketKeyAge).Put(append(msKey(k.Accepted), name...), nil)
}

// Key looks a source key up among those accepted.
func (s *Spool) Key(press string, kind byte, key string) (k Key, ok bool, err error) {
	err = s.db.View(func(tx *bolt.Tx) error {
		v := tx.Bucket(bucketKeys).Get(keyName(press, kind, key))
		if len(v) == 24 || len(v) == 32 {
			ok = true
			k = Key{Press: press, Kind: kind, Key: key, Seq: binary.BigEndian.Uint64(v), Earliest: msOf(v[8:16]), Accepted: msOf(v[16:24])}
			if len(v) == 32 {
				k.Epoch = binary.BigEndian.Uint64(v[24:])
			}
		}
		return nil
	})
	if ok && k.Epoch == 0 {
		k.Epoch = s.Epoch()
	}
	return k, ok, err
}

// ForgetKeys deletes keys accepted longer ago than KeepKeys.
func (s *Spool) ForgetKeys(now time.Time) (int, error) {
	limit := now.Add(-s.opt.KeepKeys).UnixMilli()
	n := 0
	err := s.db.Update(func(tx *bolt.Tx) error {
		ages, keys := tx.Bucket(bucketKeyAge), tx.Bucket(bucketKeys)
		var old [][]byte
		c := ages.Cursor()
		for k, _ := c.First(); k != nil && len(k) > 8 && msOf(k[:8]) < limit; k, _ = c.Next() {
			old = append(old, append([]byte{}, k...))
		}
		for _, k := range old {
			if err := ages.Delete(k); err != nil {
				return err
			}
			if v := keys.Get(k[8:]); len(v) >= 24 && msOf(v[16:24]) < limit {
				if err := keys.Delete(k[8:]); err != nil {
					return err
				}
				n++
			}
		}
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("forget keys: %w", err)
	}
	return n, nil
}
