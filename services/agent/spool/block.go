package spool

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"

	bolt "go.etcd.io/bbolt"
)

// Block is a run of one press's events as they were accepted.
type Block struct {
	Press string
	// First seq and number of events.
	First uint64
	Count uint32
	// Smallest and largest instant the events are filed under, unix ms.
	MinMs, MaxMs int64
	// Records are Count events, each after its length as a varint.
	Records []byte
}

// Last seq of the block.
func (b *Block) Last() uint64 { return b.First + uint64(b.Count) - 1 }

// Add a record of the event with instant ms.
func (b *Block) Add(record []byte, ms int64) {
	if b.Count == 0 || ms < b.MinMs {
		b.MinMs = ms
	}
	if b.Count == 0 || ms > b.MaxMs {
		b.MaxMs = ms
	}
	b.Count++
	b.Records = append(b.Records, record...)
}

// A block's value: CRC-32C, version, count, min, max, records. The checksum
// also covers press, epoch and first seq, so that a value under a wrong key
// is found out.
const blockVersion = 1

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

var errBlock = errors.New("bad block")

func (b *Block) sum(epoch uint64, payload []byte) uint32 {
	var head [16]byte
	binary.BigEndian.PutUint64(head[:], epoch)
	binary.BigEndian.PutUint64(head[8:], b.First)
	c := crc32.Checksum([]byte(b.Press), castagnoli)
	c = crc32.Update(c, castagnoli, head[:])
	return crc32.Update(c, castagnoli, payload)
}

func (b *Block) encode(epoch uint64) []byte {
	v := make([]byte, 4, 4+1+3*binary.MaxVarintLen64+len(b.Records))
	v = append(v, blockVersion)
	v = binary.AppendUvarint(v, uint64(b.Count))
	v = binary.AppendVarint(v, b.MinMs)
	v = binary.AppendVarint(v, b.MaxMs)
	v = append(v, b.Records...)
	binary.LittleEndian.PutUint32(v, b.sum(epoch, v[4:]))
	return v
}

// decode reads a value; Records alias it.
func (b *Block) decode(epoch uint64, v []byte) error {
	if len(v) < 5 || b.sum(epoch, v[4:]) != binary.LittleEndian.Uint32(v) {
		return fmt.Errorf("%w: checksum differs", errBlock)
	}
	if v[4] != blockVersion {
		return fmt.Errorf("%w: version %d", errBlock, v[4])
	}
	rest := v[5:]
	count, n := binary.Uvarint(rest)
	if n <= 0 || count == 0 || count > uint64(len(rest)) {
		return fmt.Errorf("%w: count", errBlock)
	}
	rest = rest[n:]
	for _, p := range []*int64{&b.MinMs, &b.MaxMs} {
		if *p, n = binary.Varint(rest); n <= 0 {
			return fmt.Errorf("%w: instants", errBlock)
		}
		rest = rest[n:]
	}
	b.Count, b.Records = uint32(count), rest
	return nil
}

// skip drops the first n records.
func (b *Block) skip(n uint64) error {
	for ; n > 0; n-- {
		size, w := binary.Uvarint(b.Records)
		if w <= 0 || size > uint64(len(b.Records)-w) {
			return fmt.Errorf("%w: record length", errBlock)
		}
		b.Records = b.Records[w+int(size):]
		b.First++
		b.Count--
	}
	return nil
}

// CorruptError names a block that cannot be read.
type CorruptError struct {
	Press       string
	First, Last uint64
	Err         error
}

func (e *CorruptError) Error() string {
	return fmt.Sprintf("spool: events %d to %d of %s cannot be read: %v", e.First, e.Last, e.Press, e.Err)
}

func (e *CorruptError) Unwrap() error { return e.Err }

// Read returns events of a press from seq from on, neighbouring blocks joined
// while they stay within maxEvents and maxBytes. It returns nil when there
// are none, and *CorruptError when the next block is damaged. The result may
// start above from where a damaged block was set aside.
func (s *Spool) Read(press string, from uint64, maxEvents, maxBytes int) (*Block, error) {
	last, epoch := s.State(press).Last, s.Epoch()
	if from > last {
		return nil, nil
	}
	var out *Block
	blocks := 0
	err := s.db.View(func(tx *bolt.Tx) error {
		b := tx.Bucket(bucketBlocks).Bucket([]byte(press))
		if b == nil {
			return nil
		}
		c := b.Cursor()
		k, v := c.Seek(be(from))
		if k == nil || binary.BigEndian.Uint64(k) > from {
			// The block before may hold from.
			if pk, pv := before(c, k); pk != nil {
				k, v = pk, pv
			} else {
				k, v = c.First()
			}
		}
		for k != nil {
			blocks++
			next := Block{Press: press, First: binary.BigEndian.Uint64(k)}
			if err := next.decode(epoch, v); err != nil {
				if out != nil {
					return nil // what lies before is good
				}
				end := last
				if nk, _ := c.Next(); nk != nil {
					end = binary.BigEndian.Uint64(nk) - 1
				}
				return &CorruptError{Press: press, First: next.First, Last: end, Err: err}
			}
			if next.Last() < from {
				k, v = c.Next()
				continue
			}
			if next.First < from {
				if err := next.skip(from - next.First); err != nil {
					return &CorruptError{Press: press, First: next.First, Last: next.Last(), Err: err}
				}
			}
			switch {
			case out == nil:
				room := 4 << 10
				if int(next.Count) > maxEvents/8 { // its neighbors are as large
					room = min(len(next.Records)*maxEvents/int(next.Count)*17/16, maxBytes)
				}
				next.Records = append(make([]byte, 0, max(len(next.Records), room)), next.Records...)
				out = &next
			case next.First != out.Last()+1 || int(out.Count+next.Count) > maxEvents || len(out.Records)+len(next.Records) > maxBytes:
				return nil
			default:
				out.MinMs, out.MaxMs = min(out.MinMs, next.MinMs), max(out.MaxMs, next.MaxMs)
				out.Count += next.Count
				out.Records = append(out.Records, next.Records...)
			}
			k, v = c.Next()
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if out != nil {
		s.touched(blocks+3, 2*len(out.Records))
	}
	return out, nil
}

// Quarantine sets a damaged block aside: it is kept in the file, out of the
// queue.
func (s *Spool) Quarantine(e *CorruptError) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	var size int64
	err := s.db.Update(func(tx *bolt.Tx) error {
		b := tx.Bucket(bucketBlocks).Bucket([]byte(e.Press))
		v := b.Get(be(e.First))
		if v == nil {
			return nil
		}
		size = int64(len(v))
		if err := tx.Bucket(bucketBad).Put(badKey(e.Press, e.First, e.Last), append([]byte{}, v...)); err != nil {
			return err
		}
		return b.Delete(be(e.First))
	})
	if err != nil {
		return fmt.Errorf("quarantine: %w", err)
	}
	if p := s.presses[e.Press]; p != nil {
		p.bytes -= size
	}
	s.held -= size
	return nil
}

// Lost lists the ranges of the epoch set aside by Quarantine, in order of
// press and seq.
func (s *Spool) Lost() ([]CorruptError, error) {
	var out []CorruptError
	err := s.db.View(func(tx *bolt.Tx) error {
		return tx.Bucket(bucketBad).ForEach(func(k, _ []byte) error {
			if n := len(k) - 17; n > 0 {
				out = append(out, CorruptError{Press: string(k[:n]), First: binary.BigEndian.Uint64(k[n+1:]), Last: binary.BigEndian.Uint64(k[n+9:]), Err: errBlock})
			}
			return nil
		})
	})
	return out, err
}
