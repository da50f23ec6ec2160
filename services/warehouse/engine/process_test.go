//go:build linux || darwin

package engine_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
	"github.com/ClickHouse/clickhouse-go/v2/lib/driver"

	"github.com/downweb/downweb/services/warehouse/engine"
	"github.com/downweb/downweb/services/warehouse/warehousetest"
)

// What was acknowledged is there after kill -9, in any number of rounds; an insert that was under way is
// there whole or not at all.
func TestKillLosesNothingAcknowledged(t *testing.T) {
	dir := t.TempDir()
	const rows = 20_000
	var acked atomic.Uint64 // batches
	for round := range 5 {
		p, err := warehousetest.Start(t, dir)
		if err != nil {
			t.Fatal(err)
		}
		conn := warehousetest.Connect(t, p.Addr, "default", warehousetest.Password, "downweb")
		exec1(t, conn, `CREATE TABLE IF NOT EXISTS durable (batch UInt64, i UInt32, s String) ENGINE = MergeTree ORDER BY (batch, i)
			SETTINGS fsync_after_insert = 1, fsync_part_directory = 1, min_rows_to_fsync_after_merge = 1, min_compressed_bytes_to_fsync_after_merge = 1`)
		if got := scan[uint64](t, conn, "SELECT uniqExact(batch) FROM durable"); got < acked.Load() {
			t.Fatalf("round %d: %d batches were acknowledged, %d are there", round, acked.Load(), got)
		}
		if torn := scan[uint64](t, conn, "SELECT count() FROM (SELECT batch FROM durable GROUP BY batch HAVING count() != 20000)"); torn != 0 {
			t.Fatalf("round %d: %d batches are torn", round, torn)
		}
		acked.Store(scan[uint64](t, conn, "SELECT uniqExact(batch) FROM durable"))
		base := scan[uint64](t, conn, "SELECT if(count() = 0, 0, max(batch) + 1) FROM durable")
		var done sync.WaitGroup
		done.Go(func() {
			for n := base; ; n++ {
				batch, err := conn.PrepareBatch(t.Context(), "INSERT INTO durable")
				if err != nil {
					return
				}
				for i := range uint32(rows) {
					batch.Append(n, i, "some text")
				}
				err = batch.Send()
				batch.Close()
				if err != nil {
					return
				}
				acked.Add(1)
			}
		})
		time.Sleep(time.Duration(250+130*round) * time.Millisecond)
		p.Kill()
		done.Wait()
	}
	p, err := warehousetest.Start(t, dir)
	if err != nil {
		t.Fatal(err)
	}
	conn := warehousetest.Connect(t, p.Addr, "default", warehousetest.Password, "downweb")
	got := scan[uint64](t, conn, "SELECT uniqExact(batch) FROM durable")
	if got < acked.Load() || acked.Load() == 0 {
		t.Errorf("%d batches acknowledged, %d there", acked.Load(), got)
	}
	t.Logf("5 kills, %d batches acknowledged, %d there", acked.Load(), got)
}

func TestStopAndStartAgain(t *testing.T) {
	dir := t.TempDir()
	for round := range uint64(3) {
		p, err := warehousetest.Start(t, dir)
		if err != nil {
			t.Fatal(err)
		}
		conn := warehousetest.Connect(t, p.Addr, "default", warehousetest.Password, "downweb")
		exec1(t, conn, "CREATE TABLE IF NOT EXISTS kept (a UInt64) ENGINE = MergeTree ORDER BY a")
		if n := scan[uint64](t, conn, "SELECT count() FROM kept"); n != round {
			t.Fatalf("round %d finds %d rows", round, n)
		}
		exec1(t, conn, "INSERT INTO kept VALUES (1)")
		if e := scan[string](t, conn, "SELECT engine FROM system.databases WHERE name = 'downweb'"); e != "Atomic" {
			t.Errorf("database engine %s", e)
		}
		// A statement still running at the stop is killed, and the stop is in good order and bounded.
		failed := make(chan error, 1)
		if round == 2 {
			go func() {
				failed <- conn.Exec(context.Background(), "SELECT count() FROM numbers(1000000000000) WHERE NOT ignore(sipHash64(number)) FORMAT Null")
			}()
			time.Sleep(300 * time.Millisecond)
		} else {
			failed <- errors.New("none")
		}
		start := time.Now()
		if err := p.Stop(); err != nil || time.Since(start) > 12*time.Second {
			t.Errorf("round %d: stop after %v: %v", round, time.Since(start), err)
		}
		if err := <-failed; err == nil {
			t.Error("an endless query ended well")
		}
	}
}

func TestSecondProcessIsRefused(t *testing.T) {
	dir := t.TempDir()
	first, err := warehousetest.Start(t, dir)
	if err != nil {
		t.Fatal(err)
	}
	_, err = warehousetest.Start(t, dir)
	if err == nil || !strings.Contains(err.Error(), "is in use by another engine") || !strings.Contains(err.Error(), fmt.Sprint("process ", first.PID())) {
		t.Errorf("second process: %v", err)
	}
	conn := warehousetest.Connect(t, first.Addr, "default", warehousetest.Password, "")
	if err := conn.Ping(t.Context()); err != nil {
		t.Errorf("the first one after that: %v", err)
	}
	first.Kill()
	if _, err = warehousetest.Start(t, dir); err != nil {
		t.Errorf("after the first was killed: %v", err)
	}
}

// In this very process: a unix socket, signals and panics still Go's, and a Run that ends with its context.
func TestInProcessOnASocket(t *testing.T) {
	lib, err := engine.Locate("")
	if err != nil {
		warehousetest.DSN(t) // installs it, or skips, or fails
		if lib, err = engine.Locate(""); err != nil {
			t.Fatal(err)
		}
	}
	dir, err := os.MkdirTemp("", "dw") // a socket's path must be short
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	socket := filepath.Join(dir, "engine.sock")
	s := engine.New(engine.Config{Lib: lib, Dir: filepath.Join(dir, "data"), Listen: "unix:" + socket, Password: "p"})
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	select {
	case <-s.Ready():
	case err := <-ended:
		t.Fatal(err)
	}
	if info, err := os.Stat(socket); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("socket: %v, %v", info.Mode(), err)
	}
	conn, err := clickhouse.Open(&clickhouse.Options{Protocol: clickhouse.HTTP, Addr: []string{"engine"}, Auth: clickhouse.Auth{Username: "default", Password: "p", Database: "downweb"},
		DialContext: func(ctx context.Context, _ string) (net.Conn, error) {
			return new(net.Dialer).DialContext(ctx, "unix", strings.TrimPrefix(s.Addr(), "unix:"))
		}})
	if err != nil {
		t.Fatal(err)
	}
	var db string
	if err := conn.QueryRow(t.Context(), "SELECT currentDatabase()").Scan(&db); err != nil || db != "downweb" {
		t.Errorf("over the socket: %q, %v", db, err)
	}
	signals := make(chan os.Signal, 3)
	signal.Notify(signals, syscall.SIGINT, syscall.SIGTERM, syscall.SIGHUP)
	defer signal.Stop(signals)
	for _, sig := range []syscall.Signal{syscall.SIGINT, syscall.SIGTERM, syscall.SIGHUP} {
		syscall.Kill(os.Getpid(), sig)
		select {
		case got := <-signals:
			if got != sig {
				t.Errorf("%v came as %v", sig, got)
			}
		case <-time.After(5 * time.Second):
			t.Errorf("%v does not reach Go", sig)
		}
	}
	func() {
		defer func() {
			if recover() == nil {
				t.Error("a nil dereference did not panic")
			}
		}()
		var p *int
		*p = 1
	}()
	conn.Close()
	cancel()
	select {
	case err := <-ended:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(20 * time.Second):
		t.Fatal("Run does not end")
	}
}

func TestRunRefusesBadConfig(t *testing.T) {
	for _, c := range []struct {
		config engine.Config
		want   string
	}{
		{engine.Config{Password: "p"}, "lib and dir must be given"},
		{engine.Config{Lib: "x", Dir: "d"}, "give a password"},
		{engine.Config{Lib: "x", Dir: "d", Password: "p", NoPassword: true}, "give a password, or say that there is none"},
		{engine.Config{Lib: "x", Dir: "d", Password: "p", Listen: "0.0.0.0:1"}, "not a loopback address"},
		{engine.Config{Lib: "x", Dir: "d", Password: "p", Listen: "example.org:80"}, "not a loopback address"},
		{engine.Config{Lib: "x", Dir: "d", Password: "p", Listen: "127.0.0.1"}, "missing port"},
		{engine.Config{Lib: "/nowhere/libchdb.so", Dir: t.TempDir(), NoPassword: true}, "load the ClickHouse engine"},
		{engine.Config{Lib: "x", Dir: "/dev/null/x", Password: "p"}, "data directory"},
	} {
		if err := engine.New(c.config).Run(t.Context()); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v", c.config, err)
		}
	}
}

func TestPasswordFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "keys", "engine")
	got := make([]string, 8)
	var wg sync.WaitGroup
	for i := range got {
		wg.Go(func() {
			p, err := engine.Password(file)
			if err != nil {
				t.Error(err)
			}
			got[i] = p
		})
	}
	wg.Wait()
	for _, p := range got {
		if len(p) < 26 || p != got[0] {
			t.Errorf("passwords %q", got)
			break
		}
	}
	if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("file: %v, %v", info, err)
	}
	if left, _ := filepath.Glob(file + ".*"); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
	os.WriteFile(file, []byte("\n"), 0o600)
	if _, err := engine.Password(file); err == nil || !strings.Contains(err.Error(), "is empty") {
		t.Errorf("an empty file: %v", err)
	}
}

func TestCheckVersion(t *testing.T) {
	for version, ok := range map[string]bool{
		"24.8.1": true, "24.8": true, "24.12.1.1": true, "25.1.5.31": true, "26.7.2": true, "100.1": true,
		"24.7.6": false, "24.3": false, "23.12.1": false, "18.16.1": false, "0.0.0": false, "": false, "new": false,
	} {
		err := engine.CheckVersion("plant-db", version)
		if (err == nil) != ok {
			t.Errorf("%q: %v", version, err)
		}
		if err != nil && (!strings.Contains(err.Error(), "plant-db") || !strings.Contains(err.Error(), version)) {
			t.Errorf("%q: the message does not name server and version: %v", version, err)
		}
	}
}

// Debian's clickhouse-server 18.16 is a real server over the native protocol, and too old.
func TestOldServerIsRefused(t *testing.T) {
	binary, err := exec.LookPath("clickhouse-server")
	if err != nil {
		binary, err = exec.LookPath("/usr/sbin/clickhouse-server") // where Debian puts it, not in everyone's PATH
	}
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("clickhouse-server is not installed (Debian package clickhouse-server)")
		}
		t.Skip("clickhouse-server is not installed")
	}
	addr := startServer(t, binary)
	conn, err := clickhouse.Open(&clickhouse.Options{Addr: []string{addr}, Auth: clickhouse.Auth{Username: "default"}, DialTimeout: 2 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	var v *clickhouse.ServerVersion
	for deadline := time.Now().Add(30 * time.Second); ; time.Sleep(100 * time.Millisecond) {
		if v, err = conn.ServerVersion(); err == nil {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("no answer from %s: %v", binary, err)
		}
	}
	number := fmt.Sprintf("%d.%d.%d", v.Version.Major, v.Version.Minor, v.Version.Patch)
	if v.Version.Major >= 24 {
		if os.Getenv("CI") == "true" {
			t.Fatalf("the clickhouse-server here is %s, not an old one", number)
		}
		t.Skipf("the clickhouse-server here is %s, not an old one", number)
	}
	err = engine.CheckVersion(v.DisplayName, number)
	t.Log(err)
	if err == nil || !strings.Contains(err.Error(), number) || !strings.Contains(err.Error(), fmt.Sprintf("%q", v.DisplayName)) {
		t.Errorf("%s: %v", number, err)
	}
}

// startServer runs a clickhouse-server of the 18.16 kind on loopback and gives its native address.
func startServer(t *testing.T, binary string) string {
	dir := t.TempDir()
	port := func() int {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		return l.Addr().(*net.TCPAddr).Port
	}
	native := port()
	config := fmt.Sprintf(`<yandex><logger><level>warning</level><console>1</console></logger>
<listen_host>127.0.0.1</listen_host><tcp_port>%d</tcp_port><http_port>%d</http_port><display_name>old-plant-db</display_name>
<path>%s/</path><tmp_path>%s/tmp/</tmp_path><mark_cache_size>1048576</mark_cache_size><users_config>users.xml</users_config>
<default_profile>default</default_profile><default_database>default</default_database></yandex>`, native, port(), dir, dir)
	users := `<yandex><profiles><default></default></profiles><quotas><default></default></quotas>
<users><default><password></password><networks><ip>127.0.0.1</ip></networks><profile>default</profile><quota>default</quota></default></users></yandex>`
	for name, text := range map[string]string{"config.xml": config, "users.xml": users} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.Command(binary, "--config-file="+filepath.Join(dir, "config.xml"))
	cmd.Dir = dir
	log, err := os.Create(filepath.Join(dir, "out"))
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	cmd.Stdout, cmd.Stderr = log, log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
		if t.Failed() {
			text, _ := os.ReadFile(filepath.Join(dir, "out"))
			t.Logf("clickhouse-server said: %.2000s", text)
		}
	})
	return fmt.Sprintf("127.0.0.1:%d", native)
}

// A stop in the middle of an answer breaks it off; it never ends as if it were whole.
func TestStopInTheMiddleOfAnAnswer(t *testing.T) {
	p, err := warehousetest.Start(t, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	req, err := http.NewRequest("POST", "http://"+p.Addr+"/", strings.NewReader("SELECT number FROM numbers(100000000000)"))
	if err != nil {
		t.Fatal(err)
	}
	req.SetBasicAuth("default", warehousetest.Password)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	go p.Stop()
	n, err := io.Copy(io.Discard, res.Body)
	if err == nil || n == 0 {
		t.Errorf("%d bytes, then %v", n, err)
	}
}

// Clients that come and go at any moment, streaming, aggregating and inserting, neither crash the engine
// nor leave a statement running; inserts are whole or not there.
func TestManyCancelledAtAnyMoment(t *testing.T) {
	conn, _ := warehousetest.Open(t)
	exec1(t, conn, "CREATE TABLE c (w UInt32, i UInt32, s String) ENGINE = MergeTree ORDER BY (w, i)")
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	end := time.Now().Add(5 * time.Second)
	var wg sync.WaitGroup
	var cut, whole atomic.Int64
	for w := range uint64(4) {
		wg.Go(func() {
			rng := rand.New(rand.NewPCG(seed, w))
			for i := uint32(0); time.Now().Before(end); i++ {
				ctx, cancel := context.WithTimeout(t.Context(), time.Duration(rng.Int64N(int64(300*time.Millisecond))))
				var err error
				switch rng.IntN(3) {
				case 0:
					var rows driver.Rows
					if rows, err = conn.Query(ctx, "SELECT number, toString(number), 'leave' || 'me' FROM numbers(3000000)"); err == nil {
						for rows.Next() {
						}
						err = rows.Err()
						rows.Close()
					}
				case 1:
					var n uint64
					err = conn.QueryRow(ctx, "SELECT uniqExact(sipHash64(number)), any('leave' || 'me') FROM numbers(500000)").Scan(&n, new(string))
				case 2:
					var batch driver.Batch
					if batch, err = conn.PrepareBatch(ctx, "INSERT INTO c"); err == nil {
						for range 1000 {
							batch.Append(uint32(w), i, "text")
						}
						err = batch.Send()
						batch.Close()
					}
				}
				cancel()
				if err != nil {
					cut.Add(1)
				} else {
					whole.Add(1)
				}
			}
		})
	}
	wg.Wait()
	t.Logf("%d cut off, %d whole", cut.Load(), whole.Load())
	if cut.Load() == 0 || whole.Load() == 0 {
		t.Error("the moments are chosen badly: nothing was cut off, or nothing was whole")
	}
	left := uint64(1)
	for deadline := time.Now().Add(10 * time.Second); left > 0 && time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
		left = scan[uint64](t, conn, "SELECT count() FROM system.processes WHERE query LIKE '%leave%'||'%me%' AND query NOT LIKE '%system.processes%'")
	}
	if left > 0 {
		t.Errorf("%d statements go on running", left)
	}
	if torn := scan[uint64](t, conn, "SELECT count() FROM (SELECT w, i FROM c GROUP BY w, i HAVING count() != 1000)"); torn != 0 {
		t.Errorf("%d inserts are torn", torn)
	}
}
