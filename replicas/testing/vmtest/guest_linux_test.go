package vmtest_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// guest says that this is the first process of the machine that TestKernel started.
func guest() bool {
	if os.Getpid() != 1 {
		return false
	}
	_ = os.MkdirAll("/proc", 0o755)
	if err := unix.Mount("proc", "/proc", "proc", 0, ""); err != nil {
		return false
	}
	b, err := os.ReadFile("/proc/cmdline")
	return err == nil && slices.Contains(strings.Fields(string(b)), "firmus.vm=1")
}

func TestMain(m *testing.M) {
	if !guest() {
		os.Exit(m.Run())
	}
	os.Args = []string{"init", "-test.v", "-test.run=^TestGuest", "-test.timeout=6m"}
	code := 99
	if err := boot(); err != nil {
		fmt.Println("boot:", err)
	} else {
		flag.Parse()
		code = m.Run()
	}
	fmt.Println("GUEST-EXIT", code)
	time.Sleep(50 * time.Millisecond) // for the serial line
	unix.Sync()
	_ = unix.Reboot(unix.LINUX_REBOOT_CMD_POWER_OFF)
	select {}
}

// boot mounts what a system needs and loads the modules.
func boot() error {
	for _, m := range []struct{ dir, kind, data string }{
		// What is free on it is more than the memory: a check asks for room to spare.
		{"/sys", "sysfs", ""}, {"/dev", "devtmpfs", ""}, {"/tmp", "tmpfs", "mode=1777,size=600m"},
	} {
		if err := unix.Mount(m.kind, m.dir, m.kind, 0, m.data); err != nil {
			return fmt.Errorf("mount %s: %w", m.dir, err)
		}
	}
	if err := unix.Mount("configfs", "/sys/kernel/config", "configfs", 0, ""); err != nil && err != unix.ENOENT {
		return fmt.Errorf("mount configfs: %w", err)
	}
	mods, err := filepath.Glob("/mod/*")
	if err != nil || len(mods) == 0 {
		return fmt.Errorf("modules %v: %v", mods, err)
	}
	slices.Sort(mods)
	for _, m := range mods {
		f, err := os.Open(m)
		if err != nil {
			return err
		}
		err = unix.FinitModule(int(f.Fd()), "", 0)
		_ = f.Close()
		if err != nil {
			return fmt.Errorf("load %s: %w", m, err)
		}
	}
	if err := unix.Mount("configfs", "/sys/kernel/config", "configfs", 0, ""); err != nil && err != unix.EBUSY {
		return fmt.Errorf("mount configfs: %w", err)
	}
	return nil
}

// inGuest skips a test outside of the machine.
func inGuest(t *testing.T) {
	t.Helper()
	if os.Getpid() != 1 {
		t.Skip("runs in the machine that TestKernel starts")
	}
}

// find waits for a drive whose vendor and model begin as given, and gives its node.
func find(t *testing.T, vendor, model string) string {
	t.Helper()
	for range 300 {
		drives, _ := filepath.Glob("/sys/block/sr*")
		for _, d := range drives {
			v, _ := os.ReadFile(filepath.Join(d, "device/vendor"))
			m, _ := os.ReadFile(filepath.Join(d, "device/model"))
			node := filepath.Join("/dev", filepath.Base(d))
			if _, err := os.Stat(node); err == nil && strings.HasPrefix(string(v), vendor) && strings.HasPrefix(string(m), model) {
				return node
			}
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Fatalf("no drive %s %s", vendor, model)
	return ""
}
