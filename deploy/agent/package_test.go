// Package agent_test builds and looks at the Debian package of the agent.
package agent_test

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
)

// lacking skips on a laptop that lacks a program, and fails in CI.
func lacking(t *testing.T, why string) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatal(why)
	}
	t.Skip(why)
}

func output(t *testing.T, name string, args ...string) string {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		lacking(t, name+" is not on this machine")
	}
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

// packages builds the packages of some architectures.
func packages(t *testing.T, archs ...string) string {
	t.Helper()
	if testing.Short() {
		t.Skip("builds programs: not with -short")
	}
	if runtime.GOOS != "linux" {
		t.Skip("the package is for Linux")
	}
	if _, err := exec.LookPath("dpkg-deb"); err != nil {
		lacking(t, "dpkg-deb is not on this machine")
	}
	dir := t.TempDir()
	cmd := exec.Command("bash", append([]string{"build.sh", dir}, archs...)...)
	cmd.Env = append(os.Environ(), "VERSION=1.2.3")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return dir
}

// TestPackage: what is in it, whose it is and how closed; the program in it runs;
// dpkg installs it into a folder, keeps the config that was changed, and starts
// nothing.
func TestPackage(t *testing.T) {
	archs := []string{runtime.GOARCH}
	if os.Getenv("DOWNWEB_LONG") != "" {
		archs = []string{"amd64", "arm64"}
	}
	dir := packages(t, archs...)
	for _, arch := range archs {
		deb := filepath.Join(dir, "downweb-agent_1.2.3_"+arch+".deb")
		if got := strings.TrimSpace(output(t, "dpkg-deb", "-f", deb, "Architecture")); got != arch {
			t.Errorf("%s: architecture %s", arch, got)
		}
		if got := output(t, "dpkg-deb", "-f", deb, "Depends"); strings.TrimSpace(got) != "" {
			t.Errorf("%s: depends on %s", arch, got)
		}
		list := output(t, "dpkg-deb", "-c", deb)
		for _, want := range []string{"-rwxr-xr-x root/root", " ./usr/bin/downweb-agent\n", " ./etc/downweb/agent.yaml\n", " ./usr/lib/systemd/system/downweb-agent.service\n",
			" ./usr/share/doc/downweb-agent/README.md\n", " ./usr/share/doc/downweb-agent/copyright\n", " ./usr/share/doc/downweb-agent/examples/modbus.yaml\n"} {
			if !strings.Contains(list, want) {
				t.Errorf("%s: no %q in\n%s", arch, want, list)
			}
		}
		control := filepath.Join(t.TempDir(), "control")
		output(t, "dpkg-deb", "-e", deb, control)
		if conf, err := os.ReadFile(filepath.Join(control, "conffiles")); err != nil || strings.TrimSpace(string(conf)) != "/etc/downweb/agent.yaml" {
			t.Errorf("conffiles %q %v", conf, err)
		}
		root := t.TempDir()
		output(t, "dpkg-deb", "-x", deb, root)
		program := filepath.Join(root, "usr/bin/downweb-agent")
		info, err := os.Stat(program)
		if err != nil || info.Size() >= 20_000_000 {
			t.Errorf("%v %v", info, err)
		} else if packed, err := os.Stat(deb); err == nil {
			t.Logf("%s: program %.1f MB, package %.1f MB", arch, float64(info.Size())/1e6, float64(packed.Size())/1e6)
		}
		if text, err := os.ReadFile(program); err != nil || bytes.Contains(text, []byte("/lib64/ld-linux")) || bytes.Contains(text, []byte("/lib/ld-linux")) {
			t.Errorf("%s: not static: %v", arch, err)
		}
		if arch != runtime.GOARCH {
			continue
		}
		if got := output(t, program, "version"); !strings.Contains(got, "downweb") {
			t.Errorf("version: %s", got)
		}
		install(t, deb)
		checkUnit(t, program)
	}
}

// install by dpkg, into a folder.
func install(t *testing.T, deb string) {
	t.Helper()
	if os.Geteuid() != 0 {
		lacking(t, "dpkg --root needs root")
	}
	root := t.TempDir()
	for _, d := range []string{"var/lib/dpkg/info", "var/lib/dpkg/updates", "var/lib/dpkg/triggers"} {
		if err := os.MkdirAll(filepath.Join(root, d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(root, "var/lib/dpkg/status"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	dpkg := func(args ...string) string {
		return output(t, "dpkg", append([]string{"--root=" + root, "--force-script-chrootless", "--force-confold", "--no-triggers"}, args...)...)
	}
	if said := dpkg("--install", deb); !strings.Contains(said, "not started") {
		t.Errorf("installing says %s", said)
	}
	conf := filepath.Join(root, "etc/downweb/agent.yaml")
	if err := os.WriteFile(conf, []byte("agent: {name: mine}\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	spool := filepath.Join(root, "var/lib/downweb-agent/spool/a1.db")
	if err := os.MkdirAll(filepath.Dir(spool), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(spool, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	dpkg("--install", deb)
	if text, _ := os.ReadFile(conf); string(text) != "agent: {name: mine}\n" {
		t.Errorf("a changed config became %s", text)
	}
	dpkg("--remove", "downweb-agent")
	if _, err := os.Stat(filepath.Join(root, "usr/bin/downweb-agent")); err == nil {
		t.Error("the program is left")
	}
	if said := dpkg("--purge", "downweb-agent"); !strings.Contains(said, "spool and key are left") {
		t.Errorf("purging says %s", said)
	}
	if _, err := os.Stat(spool); err != nil {
		t.Errorf("the spool is gone: %v", err)
	}
}

// checkUnit asks systemd whether the unit is right and how much it leaves open.
func checkUnit(t *testing.T, program string) {
	t.Helper()
	text, err := os.ReadFile("downweb-agent.service")
	if err != nil {
		t.Fatal(err)
	}
	unit := filepath.Join(t.TempDir(), "downweb-agent.service")
	if err := os.WriteFile(unit, bytes.ReplaceAll(text, []byte("/usr/bin/downweb-agent"), []byte(program)), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := exec.LookPath("systemd-analyze"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal(err)
		}
		t.Log("systemd-analyze is not on this machine: the unit is only read")
		return
	}
	if said := output(t, "systemd-analyze", "verify", "--man=no", unit); strings.Contains(said, "downweb-agent") {
		t.Errorf("verify: %s", said)
	}
	// 0 to 100: systemd calls up to 20 well closed.
	said := output(t, "systemd-analyze", "security", "--offline=true", "--threshold=15", unit)
	lines := strings.Split(strings.TrimSpace(said), "\n")
	t.Log(lines[len(lines)-1])
}

// TestUnit: what must stand in the unit, wherever it is read.
func TestUnit(t *testing.T) {
	text, err := os.ReadFile("downweb-agent.service")
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(text), "\n")
	for _, want := range []string{"DynamicUser=yes", "StateDirectory=downweb-agent", "ProtectSystem=strict", "PrivateTmp=yes", "NoNewPrivileges=yes",
		"RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX", "MemoryMax=256M", "SystemCallFilter=@system-service", "CapabilityBoundingSet=", "RestartPreventExitStatus=2",
		"ConditionPathExists=|/var/lib/downweb-agent/keys/press.json"} {
		if !slices.Contains(lines, want) {
			t.Errorf("the unit lacks %s", want)
		}
	}
}
