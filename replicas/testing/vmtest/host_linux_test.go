// Package vmtest holds package optical against a real kernel: a small virtual machine
// in which a simulated drive, behind the kernel's user-space SCSI target, is a true
// /dev/sr0, and in which the emulator's own drives are two more, written by others. The
// program itself is built and tried there, too, by a person without privileges.
//
// It runs where FIRMUS_VM_TEST=1 and needs qemu-system-x86_64, depmod, dpkg-deb, xorriso
// and apt-get; FIRMUS_VM_KERNEL may name a folder where a Debian cloud kernel has been
// unpacked (boot/vmlinuz-*, lib/modules/*). The tests themselves are TestGuest…: the
// test binary is the machine's first process.
package vmtest_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// emulated is the bad sector of the emulator's discs, counted from the beginning of
// burnedFile.
const emulated = 20

// fill makes 2048 or 2352 bytes that differ from sector to sector.
func fill(lba int64, b []byte) {
	x := uint64(lba)*0x9E3779B97F4A7C15 + 0x107
	for i := range b {
		x ^= x << 13
		x ^= x >> 7
		x ^= x << 17
		b[i] = byte(x)
	}
}

func run(t *testing.T, dir, name string, args ...string) string {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), name, args...)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "PATH="+os.Getenv("PATH")+":/usr/sbin:/sbin")
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, errs.String())
	}
	return out.String()
}

// kernel gives a folder with an unpacked kernel and its list of modules.
func kernel(t *testing.T, dir string) string {
	t.Helper()
	root := os.Getenv("FIRMUS_VM_KERNEL")
	if root == "" {
		m := regexp.MustCompile(`Depends: (linux-image\S+)`).FindStringSubmatch(run(t, dir, "apt-cache", "depends", "linux-image-cloud-amd64"))
		if m == nil {
			t.Fatal("no cloud kernel is known to apt-cache")
		}
		run(t, dir, "apt-get", "download", m[1])
		debs, err := filepath.Glob(filepath.Join(dir, m[1]+"_*.deb"))
		if err != nil || len(debs) != 1 {
			t.Fatal("the kernel's package wasn't downloaded", debs, err)
		}
		root = filepath.Join(dir, "kernel")
		run(t, dir, "dpkg-deb", "-x", debs[0], root)
	}
	versions, err := filepath.Glob(filepath.Join(root, "lib/modules/*"))
	if err != nil || len(versions) != 1 {
		t.Fatalf("one kernel wanted below %s, got %v", root, versions)
	}
	if _, err := os.Stat(filepath.Join(versions[0], "modules.dep")); err != nil {
		run(t, dir, "depmod", "-b", root, filepath.Base(versions[0]))
	}
	return root
}

func TestKernel(t *testing.T) {
	if os.Getenv("FIRMUS_VM_TEST") != "1" {
		t.Skip("FIRMUS_VM_TEST isn't 1")
	}
	dir := t.TempDir()
	root := kernel(t, dir)
	build(t, dir)
	initrd := filepath.Join(dir, "initrd.img")
	makeWorld(t, dir)
	writeInitramfs(t, initrd, root, dir, []string{worldISO, worldDir}, "virtio_pci", "virtio_scsi", "ata_piix", "sr_mod", "sg", "isofs", "tcm_loop", "target_core_user")
	_, first := fileSectors(t, dir)
	args := []string{"-device", "virtio-scsi-pci,id=s0"}
	for i, device := range []string{"scsi-cd,drive=n0,bus=s0.0", "ide-cd,drive=n1,bus=ide.1"} {
		// 61 is ENODATA, which the SCSI drive makes a medium error of; sectors here
		// have 512 bytes.
		args = append(args, "-blockdev", fmt.Sprintf("driver=raw,node-name=n%d,read-only=on,file.driver=blkdebug,file.image.driver=file,"+
			"file.image.filename=%s,file.image.read-only=on,file.inject-error.0.event=read_aio,file.inject-error.0.errno=61,"+
			"file.inject-error.0.sector=%d,file.inject-error.0.once=off,file.inject-error.0.immediately=on", i, filepath.Join(dir, worldISO), (first+emulated)*4), "-device", device)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 7*time.Minute)
	defer cancel()
	start(ctx, t, root, initrd, "512", "firmus.vm=discs", "TestGuest", 13, args...)
}

// build makes the first process of a machine, and the program.
func build(t *testing.T, dir string) {
	t.Helper()
	run(t, ".", "go", "test", "-c", "-trimpath", "-ldflags=-s -w", "-o", filepath.Join(dir, "init"), ".")
	run(t, ".", "go", "build", "-trimpath", "-ldflags=-s -w", "-o", filepath.Join(dir, "firmus"), "firmus/cmd/firmus")
}

// start runs a machine with so many MiB to its end. So many tests, whose names begin as given,
// must have passed in it, and none been skipped.
func start(ctx context.Context, t *testing.T, root, initrd, memory, says, tests string, least int, devices ...string) {
	t.Helper()
	images, err := filepath.Glob(filepath.Join(root, "boot/vmlinuz-*"))
	if err != nil || len(images) != 1 {
		t.Fatal(images, err)
	}
	args := append([]string{
		"-M", "pc,accel=tcg", "-cpu", "qemu64,+rdrand", // without it the kernel's random numbers come after seconds
		"-m", memory, "-smp", "1", "-nodefaults", "-display", "none", "-no-reboot",
		"-kernel", images[0], "-initrd", initrd, "-append", "console=ttyS0 quiet panic=-1 " + says, "-serial", "stdio",
	}, devices...)
	begin := time.Now()
	var console bytes.Buffer
	cmd := exec.CommandContext(ctx, "qemu-system-x86_64", args...)
	cmd.Stdout = &console
	if testing.Verbose() { // it takes minutes
		cmd.Stdout = io.MultiWriter(&console, os.Stdout)
	}
	cmd.Stderr = cmd.Stdout
	err = cmd.Run()
	out := console.Bytes()
	if t.Logf("%v in the machine", time.Since(begin).Round(100*time.Millisecond)); !testing.Verbose() {
		t.Logf("%s", out)
	}
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(out, []byte("GUEST-EXIT 0")) {
		t.Error("the tests in the machine failed, or it didn't come so far")
	}
	if n := bytes.Count(out, []byte("--- PASS: "+tests)); n < least {
		t.Errorf("only %d tests ran in the machine", n)
	}
	if bytes.Contains(out, []byte("--- SKIP")) {
		t.Error("a test in the machine was skipped")
	}
}
