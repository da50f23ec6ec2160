// Package faults holds the fault tests that need something of the system under them: a process killed at a chosen system
// call (strace), a disk that fills up (a small tmpfs), and tests over several services at once. What needs none of that
// stands in the tests of the service itself; cmd/downweb/FAULTS.md lists all of them.
//
// It promises that chance comes from one seed, which is printed, that every loop is bounded, that a run without flags is
// fit for CI, and that what a machine cannot do is said: a test without strace or without the right to mount is skipped
// with the reason, and fails where CI=true.
//
//	go test ./services/faults                    # the short form
//	go test ./services/faults -args -long        # every write, fsync, rename and unlink of an insert
//	go test ./services/faults -args -seed 7
package faults
