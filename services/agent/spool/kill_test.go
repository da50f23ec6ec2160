package spool

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// TestMain also is the child of TestKill: it commits until it is killed, and
// says each seq that Commit has accepted.
func TestMain(m *testing.M) {
	if path := os.Getenv("DOWNWEB_SPOOL_KILL"); path != "" {
		child(path)
		return
	}
	os.Exit(m.Run())
}

func child(path string) {
	s, err := Open(path, Options{MaxBytes: 1 << 30})
	if err != nil {
		fmt.Println("error", err)
		os.Exit(1)
	}
	for i := 0; ; i++ {
		n := uint64(1 + i%37)
		b := &Batch{}
		first := s.State("a/1").Last + 1
		b.Blocks = append(b.Blocks, block("a/1", first, int(n), int(first)))
		b.Covered = []Interval{{Press: "a/1", From: int64(first), To: int64(first + n)}}
		b.Keys = []Key{{Press: "a/1", Kind: 15, Key: fmt.Sprint(first), Seq: first}}
		b.Positions = []Position{{Source: "in", Data: []byte(fmt.Sprint(first + n - 1))}}
		if err := s.Commit(b); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		fmt.Println(first + n - 1)
		if i%20 == 19 {
			if _, err := s.Trim("a/1", first-50*min(1, first/100)); err != nil {
				fmt.Println("error", err)
				os.Exit(1)
			}
		}
	}
}

// TestKill: kill -9 at any moment; everything accepted is there, all parts of
// a batch or none, no hole, and the next process goes on.
func TestKill(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.db")
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	last := uint64(0)
	for round := range 20 {
		cmd := exec.Command(exe)
		cmd.Env = append(os.Environ(), "DOWNWEB_SPOOL_KILL="+path)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		said, first := make(chan uint64, 1), make(chan struct{}, 1)
		go func() {
			n := uint64(0)
			for sc := bufio.NewScanner(out); sc.Scan(); {
				if strings.HasPrefix(sc.Text(), "error") {
					t.Error(sc.Text())
				} else if v, err := strconv.ParseUint(sc.Text(), 10, 64); err == nil {
					n = v
					select {
					case first <- struct{}{}:
					default:
					}
				}
			}
			said <- n
		}()
		if round > 10 { // the earlier kills may meet a process that has not opened the file yet
			select {
			case <-first:
			case <-time.After(20 * time.Second):
				t.Fatalf("round %d: nothing accepted in 20 s", round)
			}
		}
		time.Sleep(time.Duration(30+round*7) * time.Millisecond)
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		accepted := <-said
		_ = cmd.Wait()
		s, err := Open(path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		st := s.State("a/1")
		if st.Last < accepted || st.Last < last {
			t.Fatalf("round %d: %d accepted, %d on disk", round, accepted, st.Last)
		}
		last = st.Last
		for from := st.Trimmed + 1; ; {
			b, err := s.Read("a/1", from, 1000, 1<<20)
			if err != nil {
				t.Fatal(err)
			}
			if b == nil {
				if from != last+1 {
					t.Fatalf("round %d: reading ended at %d of %d", round, from, last)
				}
				break
			}
			if b.First != from {
				t.Fatalf("round %d: hole before %d", round, b.First)
			}
			from = b.Last() + 1
		}
		pos, err := s.Position("in")
		cover, err2 := s.Cover("a/1")
		if err = errors.Join(err, err2); err != nil {
			t.Fatal(err)
		}
		if last > 0 && (string(pos) != fmt.Sprint(last) || cover.Len() != 1 || cover.Check(1, int64(last+1)) != Covered || cover.Check(int64(last+1), int64(last+2)) != Free) {
			t.Fatalf("round %d: last %d, position %s, covered %v", round, last, pos, cover.ivs)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if last == 0 {
		t.Fatal("nothing was ever accepted")
	}
	t.Logf("%d events over 20 kills", last)
}
