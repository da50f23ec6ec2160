package main

import "golang.org/x/sys/unix"

// diskSpace is what a user may still write on the disk of a path, and its size, bytes.
func diskSpace(path string) (free, whole uint64, err error) {
	var s unix.Statfs_t
	if err := unix.Statfs(path, &s); err != nil {
		return 0, 0, err
	}
	return s.Bavail * uint64(s.Bsize), s.Blocks * uint64(s.Bsize), nil
}

// clockSynced says whether the kernel holds its clock to be kept in time (adjtimex(2): STA_UNSYNC).
func clockSynced() (bool, error) {
	var t unix.Timex
	if _, err := unix.Adjtimex(&t); err != nil {
		return false, err
	}
	return t.Status&unix.STA_UNSYNC == 0, nil
}
