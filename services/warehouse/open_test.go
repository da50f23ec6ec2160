package warehouse

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/downweb/downweb/services/warehouse/warehousetest"
)

// Open refuses a real server that is too old, over the native protocol, by its name and version: Debian's
// clickhouse-server 18.16.
func TestOpenRefusesOldServer(t *testing.T) {
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
	dir := t.TempDir()
	var ports [2]int
	for i := range ports {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		ports[i] = l.Addr().(*net.TCPAddr).Port
		l.Close()
	}
	files := map[string]string{
		"config.xml": fmt.Sprintf(`<yandex><logger><level>warning</level><console>1</console></logger>
<listen_host>127.0.0.1</listen_host><tcp_port>%d</tcp_port><http_port>%d</http_port><display_name>old-plant-db</display_name>
<path>%s/</path><tmp_path>%s/tmp/</tmp_path><mark_cache_size>1048576</mark_cache_size><users_config>users.xml</users_config>
<default_profile>default</default_profile><default_database>default</default_database></yandex>`, ports[0], ports[1], dir, dir),
		"users.xml": `<yandex><profiles><default></default></profiles><quotas><default></default></quotas>
<users><default><password></password><networks><ip>127.0.0.1</ip></networks><profile>default</profile><quota>default</quota></default></users></yandex>`,
	}
	for name, text := range files {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.Command(binary, "--config-file="+filepath.Join(dir, "config.xml"))
	cmd.Dir = dir
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
	})
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		if c, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", ports[0])); err == nil {
			c.Close()
			break
		}
	}
	db, err := Open(testContext(t), Config{DSN: fmt.Sprintf("clickhouse://default@127.0.0.1:%d", ports[0])})
	if err == nil {
		v := db.ServerVersion()
		db.Close()
		if !strings.HasPrefix(v, "18.") {
			missing(t, fmt.Sprintf("the clickhouse-server here is %s, not an old one", v))
		}
		t.Fatal("a server of version 18.16 is accepted")
	}
	var old *OldServerError
	if !errors.As(err, &old) {
		t.Errorf("refused by %T", err)
	}
	if !strings.Contains(err.Error(), `"old-plant-db"`) || !strings.Contains(err.Error(), "18.16") || !strings.Contains(err.Error(), "24.8") {
		t.Errorf("refused, but without name and version: %v", err)
	}
}

// OpenWait waits for a server that is not there yet, and does not wait for what waiting cannot mend.
func TestOpenWait(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	l.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	started := time.Now()
	if _, err := OpenWait(ctx, Config{DSN: "http://default@" + addr + "/x"}); !errors.Is(err, context.DeadlineExceeded) || time.Since(started) < 250*time.Millisecond {
		t.Errorf("no server: %v after %v", err, time.Since(started))
	}
	if _, err := OpenWait(t.Context(), Config{DSN: "nonsense"}); err == nil {
		t.Error("a DSN that cannot be read passes")
	}
	db, err := OpenWait(testContext(t), Config{DSN: warehousetest.DSN(t)})
	if err != nil {
		t.Fatal(err)
	}
	db.Close()
}

// missing skips a test for want of something, and fails it in CI.
func missing(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatal(what)
	}
	t.Skip(what)
}
