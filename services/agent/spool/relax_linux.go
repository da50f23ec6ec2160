package spool

import (
	"os"
	"syscall"

	bolt "go.etcd.io/bbolt"
)

// release gives the mapped pages of the file back: they are clean, and are
// read from the system's cache again when they are touched. Without it every
// block ever read or written counts as this process's memory.
func release(tx *bolt.Tx) {
	page := int64(os.Getpagesize())
	size := tx.Size() / page * page
	if info := tx.DB().Info(); info != nil && info.Data != 0 && size > 0 {
		// Advice: where it is not taken nothing is lost.
		_, _, _ = syscall.Syscall(syscall.SYS_MADVISE, info.Data, uintptr(size), syscall.MADV_DONTNEED)
	}
}
