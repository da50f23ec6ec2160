//go:build unix

package enrol

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
)

// adopt gives what root has written to the owner of the data directory: a
// service that runs as another user must read it. dir is its keys directory.
func adopt(dir, file string) error {
	if os.Geteuid() != 0 {
		return nil
	}
	info, err := os.Stat(filepath.Dir(dir))
	if err != nil {
		return err
	}
	s, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return nil
	}
	if link, err := os.Lstat(dir); err != nil || link.Mode()&os.ModeSymlink != 0 {
		return errors.Join(err, errors.New("the keys directory is a link: root does not follow it"))
	}
	return errors.Join(os.Lchown(dir, int(s.Uid), int(s.Gid)), os.Lchown(file, int(s.Uid), int(s.Gid)))
}
