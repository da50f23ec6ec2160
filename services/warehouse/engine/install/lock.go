//go:build linux || darwin

package install

import (
	"context"
	"errors"
	"fmt"
	"os"
	"syscall"
	"time"
)

// Lock takes the lock file at path, waiting for it until ctx ends if wait is set. The lock goes with the
// process, however that ends; the file stays and names who had it last.
func Lock(ctx context.Context, path string, wait bool) (unlock func(), err error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		switch {
		case err == nil:
			f.Truncate(0)
			fmt.Fprintf(f, "process %d\n", os.Getpid())
			return func() { f.Close() }, nil
		case !errors.Is(err, syscall.EWOULDBLOCK) || !wait:
			holder := make([]byte, 64)
			n, _ := f.ReadAt(holder, 0)
			f.Close()
			return nil, fmt.Errorf("%s is locked by %.*q: %w", path, n, holder[:n], err)
		}
		select {
		case <-ctx.Done():
			f.Close()
			return nil, ctx.Err()
		case <-time.After(200 * time.Millisecond):
		}
	}
}
