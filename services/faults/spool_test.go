//go:build linux

package faults

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/downweb/downweb/services/agent/spool"
)

const (
	spoolChild = "DOWNWEB_FAULTS_SPOOL"
	spoolPress = "rhein/p1"
	spoolTurns = 4
)

// blockOf is a block of n records that begins at a seq; what stands in a record follows from its seq.
func blockOf(first, n uint64) spool.Block {
	b := spool.Block{Press: spoolPress, First: first}
	for i := range n {
		b.Add(spoolRecord(first+i), int64(1000*(first+i)))
	}
	return b
}

func spoolRecord(seq uint64) []byte {
	text := fmt.Appendf(nil, "event %d %s", seq, strings.Repeat("x", int(seq%50)))
	return append(binary.AppendUvarint(nil, uint64(len(text))), text...)
}

// batchOf is a whole commit: events, the time they cover, a source key and the position in the source.
func batchOf(first, n uint64) *spool.Batch {
	last := first + n - 1
	return &spool.Batch{Blocks: []spool.Block{blockOf(first, n)},
		Covered:   []spool.Interval{{Press: spoolPress, From: int64(first), To: int64(last + 1)}},
		Keys:      []spool.Key{{Press: spoolPress, Kind: 15, Key: fmt.Sprint(first), Seq: first}},
		Positions: []spool.Position{{Source: "in", Data: fmt.Append(nil, last)}}}
}

// playSpool opens a spool, commits and trims, and says what was accepted and what was trimmed. What a commit refuses is
// tried again, as an agent does.
func playSpool(path string) error {
	s, err := spool.Open(path, spool.Options{})
	if err != nil {
		return err
	}
	for turn := range uint64(spoolTurns) {
		first := s.State(spoolPress).Last + 1
		n := 3 + 40*(turn%2)
		err := s.Commit(batchOf(first, n))
		for try := 0; err != nil && try < 3; try++ {
			fmt.Println("refused", err)
			err = s.Commit(batchOf(first, n))
		}
		if err != nil {
			return err
		}
		fmt.Println("accepted", first+n-1)
		if turn%2 == 1 {
			if _, err := s.Trim(spoolPress, first-1); err == nil {
				fmt.Println("trimmed", s.State(spoolPress).Trimmed)
			}
		}
	}
	return s.Close()
}

// checkSpool opens what a child left and looks whether it is whole: everything accepted is there or was trimmed, all
// parts of a commit or none, no hole; and the spool goes on.
func checkSpool(t *testing.T, what, path, said string) (last uint64) {
	t.Helper()
	var accepted, trimmed uint64
	for line := range strings.Lines(said) {
		fmt.Sscanf(line, "accepted %d", &accepted)
		fmt.Sscanf(line, "trimmed %d", &trimmed)
	}
	s, err := spool.Open(path, spool.Options{})
	if err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	defer s.Close()
	st := s.State(spoolPress)
	if st.Last < accepted || st.Trimmed < trimmed || st.Trimmed > st.Last {
		t.Fatalf("%s: accepted %d and trimmed %d, on disk %+v", what, accepted, trimmed, st)
	}
	for from := st.Trimmed + 1; ; {
		b, err := s.Read(spoolPress, from, 1000, 1<<20)
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		if b == nil {
			if from != st.Last+1 {
				t.Fatalf("%s: reading ended before %d of %d", what, from, st.Last)
			}
			break
		}
		if b.First != from {
			t.Fatalf("%s: hole before %d", what, b.First)
		}
		from = b.Last() + 1
	}
	pos, err := s.Position("in")
	cover, err2 := s.Cover(spoolPress)
	if err := errors.Join(err, err2); err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	if st.Last > 0 && (string(pos) != fmt.Sprint(st.Last) || cover.Len() != 1 || cover.Check(1, int64(st.Last+1)) != spool.Covered || cover.Check(int64(st.Last+1), int64(st.Last+2)) != spool.Free) {
		t.Fatalf("%s: last %d, position %s, covered %v", what, st.Last, pos, cover)
	}
	if err := s.Commit(batchOf(st.Last+1, 5)); err != nil {
		t.Fatalf("%s: it does not go on: %v", what, err)
	}
	if _, err := s.Trim(spoolPress, st.Last+5); err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	return st.Last
}

// diskCalls are the system calls that change what is on a disk.
var diskCalls = map[string]string{
	"write":  "write,pwrite64,writev,pwritev,pwritev2,ftruncate,fallocate",
	"fsync":  "fsync,fdatasync,sync_file_range,msync",
	"rename": "rename,renameat,renameat2,link,linkat",
	"unlink": "unlink,unlinkat,rmdir",
}

// T5, spool: killed at every single write, sync, rename and unlink of opening, committing and trimming; and
// each of them failing once with "no space" or "input/output error".
func TestSpoolAtEveryCall(t *testing.T) {
	strace := needStrace(t)
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	for _, how := range []string{"signal=KILL", "error=ENOSPC", "error=EIO"} {
		t.Run(strings.ReplaceAll(how, "=", "-"), func(t *testing.T) {
			hits, refused := 0, 0
			for name, calls := range diskCalls {
				for k := 1; ; k++ {
					if k > 300 {
						t.Fatalf("%s: still not through after 300 calls", name)
					}
					path := filepath.Join(t.TempDir(), "a.db")
					report := filepath.Join(t.TempDir(), "trace")
					cmd := exec.Command(strace, "-f", "-qq", "-o", report, "-e", "trace="+calls, "-P", path, "-e", fmt.Sprintf("inject=%s:%s:when=%d", calls, how, k), self)
					cmd.Env = append(os.Environ(), spoolChild+"="+path)
					said, err := cmd.Output()
					trace, _ := os.ReadFile(report)
					struck := strings.Contains(string(trace), "INJECTED") || strings.Contains(string(trace), "killed by SIGKILL")
					if err != nil && !struck {
						t.Fatalf("%s %d: the child failed though nothing was done to it: %v %s", name, k, err, said)
					}
					what := fmt.Sprintf("%s %d, %s", name, k, how)
					last := checkSpool(t, what, path, string(said))
					if !struck {
						if last == 0 {
							t.Fatalf("%s: nothing was accepted", what)
						}
						break
					}
					hits++
					if strings.Contains(string(said), "refused") {
						refused++
					}
				}
			}
			t.Logf("%d points, a commit refused and tried again at %d", hits, refused)
			if hits < 10 || (refused < 10) != (how == "signal=KILL") {
				t.Errorf("%d points were hit, a commit was refused at %d", hits, refused)
			}
		})
	}
}
