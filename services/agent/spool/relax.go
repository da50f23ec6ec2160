package spool

import bolt "go.etcd.io/bbolt"

// relaxAfter so many bytes read or written, the mapped pages are given back.
const relaxAfter = 1 << 20

// around is what a fault on one page maps of its neighbours, bytes (the
// default of fault-around on Linux).
const around = 64 << 10

// touched counts places read or written, and their bytes.
func (s *Spool) touched(places, bytes int) {
	if s.pages.Add(int64(places*around+bytes)) < relaxAfter {
		return
	}
	s.pages.Store(0)
	// A transaction holds the mapping where it is.
	_ = s.db.View(func(tx *bolt.Tx) error {
		release(tx)
		return nil
	})
}
