//go:build linux

package faults

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"syscall"
	"testing"
	"time"
)

var (
	long = flag.Bool("long", false, "the long forms")
	seed = flag.Uint64("seed", 1, "seed of all chance; 0: from the clock")
)

func init() { runtime.LockOSThread() } // a spool child's system calls are those of one thread

// TestMain also plays the spool children.
func TestMain(m *testing.M) {
	if path := os.Getenv(spoolChild); path != "" {
		if err := playSpool(path); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	flag.Parse()
	if *seed == 0 {
		*seed = uint64(time.Now().UnixNano())
	}
	if f := flag.Lookup("rapid.seed"); f.Value.String() == "0" {
		f.Value.Set(fmt.Sprint(*seed))
	}
	fmt.Printf("seed %d\n", *seed)
	os.Exit(m.Run())
}

// lacking ends a test for want of something: skipped on a laptop, failed in CI.
func lacking(t *testing.T, format string, a ...any) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf(format, a...)
	}
	t.Skipf(format, a...)
}

// needStrace finds strace and tries whether it may trace.
func needStrace(t *testing.T) string {
	t.Helper()
	path, err := exec.LookPath("strace")
	if err != nil {
		lacking(t, "strace is not installed (Debian: apt-get install strace): %v", err)
	}
	if out, err := exec.Command(path, "-f", "-o", os.DevNull, "true").CombinedOutput(); err != nil {
		lacking(t, "strace may not trace here: %v %s", err, out)
	}
	return path
}

// smallDisk mounts a tmpfs of some MiB and unmounts it at the test's end.
func smallDisk(t *testing.T, mib int) string {
	t.Helper()
	if os.Getuid() != 0 {
		t.Skip("mounting a small disk needs root")
	}
	dir := t.TempDir()
	if err := syscall.Mount("downweb-test", dir, "tmpfs", 0, fmt.Sprintf("size=%dm,mode=0700", mib)); err != nil {
		lacking(t, "a small disk cannot be mounted: %v", err)
	}
	t.Cleanup(func() {
		for range 100 { // what still holds a file of it is about to end
			if err := syscall.Unmount(dir, 0); !errors.Is(err, syscall.EBUSY) {
				return
			}
			time.Sleep(50 * time.Millisecond)
		}
		syscall.Unmount(dir, syscall.MNT_DETACH)
	})
	return dir
}

// free is the number of bytes left on a disk.
func free(t *testing.T, dir string) int64 {
	t.Helper()
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil {
		t.Fatal(err)
	}
	return int64(st.Bavail) * st.Bsize
}

// fill writes a file that leaves so many bytes on its disk; empty removes it.
func fill(t *testing.T, dir string, leave int64) (empty func()) {
	t.Helper()
	path := filepath.Join(dir, "somebody-elses-file")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	zeros := make([]byte, 64<<10)
	for n := free(t, dir) - leave; n > 0; n -= int64(len(zeros)) {
		if _, err := f.Write(zeros[:min(n, int64(len(zeros)))]); err != nil {
			t.Fatal(err)
		}
	}
	return func() {
		if err := os.Remove(path); err != nil {
			t.Error(err)
		}
	}
}

func within(t *testing.T, d time.Duration, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(d); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatalf("%s: not within %v", what, d)
}

// limited is a context for one test.
func limited(t *testing.T, d time.Duration) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), d)
	t.Cleanup(cancel)
	return ctx
}
