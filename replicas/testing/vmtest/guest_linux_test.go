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

// machines are the tests that run in a machine, by what its kernel was started with.
var machines = map[string]string{"firmus.vm=discs": "TestGuest", "firmus.vm=cuts": "TestCut"}

// guest gives which tests are to run if this is the first process of a machine that another
// test started; "" else.
func guest() string {
	if os.Getpid() != 1 {
		return ""
	}
	_ = os.MkdirAll("/proc", 0o755)
	if err := unix.Mount("proc", "/proc", "proc", 0, ""); err != nil {
		return ""
	}
	b, _ := os.ReadFile("/proc/cmdline")
	for _, f := range strings.Fields(string(b)) {
		if tests := machines[f]; tests != "" {
			return tests
		}
	}
	return ""
}

func TestMain(m *testing.M) {
	tests := guest()
	if tests == "" {
		os.Exit(m.Run())
	}
	os.Args = []string{"init", "-test.v", "-test.run=^" + tests, "-test.timeout=30m"}
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
		params := map[string]string{"brd.ko": "rd_nr=4 rd_size=131072", "loop.ko": "max_loop=1"} // size in KiB
		_, name, _ := strings.Cut(filepath.Base(m), "-")
		err = unix.FinitModule(int(f.Fd()), params[name], 0)
		_ = f.Close()
		if err != nil {
			return fmt.Errorf("load %s: %w", m, err)
		}
	}
	if _, err := os.Stat("/sys/kernel/config"); err != nil {
		return nil // of the modules none needs it
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
