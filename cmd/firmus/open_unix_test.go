//go:build unix

package main

import (
	"bufio"
	"context"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

const (
	desktopFile = "firmus.desktop"
	macCommand  = "Firmus.command"
)

// deployed is a file for people, of the folder deploy.
func deployed(t *testing.T, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "deploy", name))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// opens starts a command in an empty folder, with an opener of pages that only notes what it
// was asked to open: as a double click has it, with
// no terminal and no configuration. What was opened must answer.
func opens(t *testing.T, name string, args ...string) {
	t.Helper()
	dir, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	bin, home := filepath.Join(dir, "bin"), filepath.Join(dir, "home")
	for _, d := range []string{bin, home} {
		if err := os.Mkdir(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	opened := filepath.Join(dir, "opened")
	script := "#!/bin/sh\nprintf '%s\\n' \"$1\" > " + opened + ".new && mv " + opened + ".new " + opened + "\n"
	for _, opener := range []string{"xdg-open", "open"} {
		if err := os.WriteFile(filepath.Join(bin, opener), []byte(script), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	me, err := filepath.Abs(os.Args[0])
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(me, filepath.Join(bin, "firmus")); err != nil {
		t.Fatal(err)
	}
	if name == macCommand {
		if err := os.WriteFile(filepath.Join(bin, name), deployed(t, name), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.Command(filepath.Join(bin, name), args...)
	cmd.Dir = home
	for _, e := range os.Environ() {
		if !strings.HasPrefix(e, "FIRMUS_CONFIG=") && !strings.HasPrefix(e, "XDG_CONFIG_HOME=") && !strings.HasPrefix(e, "PATH=") && !strings.HasPrefix(e, "HOME=") {
			cmd.Env = append(cmd.Env, e)
		}
	}
	cmd.Env = append(cmd.Env, beProgram+"=1", "HOME="+home, "PATH="+bin+":"+os.Getenv("PATH"))
	said, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	printed, ended := make(chan string, 4), make(chan struct{})
	go func() {
		defer close(ended)
		for lines := bufio.NewScanner(said); lines.Scan(); {
			t.Log(lines.Text())
			if url, ok := strings.CutPrefix(lines.Text(), "open "); ok {
				printed <- url
			}
		}
	}()
	defer func() {
		if err := cmd.Process.Signal(os.Interrupt); err != nil {
			t.Error(err)
		}
		<-ended
		if err := cmd.Wait(); err != nil {
			t.Errorf("it ended with %v", err)
		}
	}()
	var link, url string
	select {
	case link = <-printed:
	case <-ended:
		t.Fatal("it ended before it opened anything")
	case <-time.After(time.Minute):
		t.Fatal("nothing was opened in a minute")
	}
	for ctx, stop := context.WithTimeout(t.Context(), time.Minute); ; {
		if text, err := os.ReadFile(opened); err == nil {
			url = strings.TrimSpace(string(text))
			stop()
			break
		}
		select {
		case <-ctx.Done():
			stop()
			t.Fatal("the opener was asked for nothing")
		case <-time.After(20 * time.Millisecond):
		}
	}
	if url != link {
		t.Errorf("opened %q, printed %q", url, link)
	}
	r, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	if r.StatusCode != http.StatusOK {
		t.Errorf("what was opened answers %s", r.Status)
	}
}

// A double click leads to the pages: what the desktop file and the file for macOS run opens
// the link that is printed, and that link answers.
func TestDoubleClickOpensThePages(t *testing.T) {
	t.Parallel()
	line := ""
	for l := range strings.Lines(string(deployed(t, desktopFile))) {
		if cmd, ok := strings.CutPrefix(strings.TrimSpace(l), "Exec="); ok {
			line = cmd
		}
	}
	words := strings.Fields(line)
	if len(words) == 0 || strings.ContainsAny(line, `"%$\`) {
		t.Fatalf("the desktop file runs %q", line)
	}
	for name, words := range map[string][]string{desktopFile: words, macCommand: {macCommand}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			opens(t, words[0], words[1:]...)
		})
	}
}

// The desktop file is one to the rules of freedesktop.org.
func TestDesktopFile(t *testing.T) {
	if _, err := exec.LookPath("desktop-file-validate"); err != nil {
		if os.Getenv("FIRMUS_ALL_PARTS") != "" {
			t.Fatal(err)
		}
		t.Skip("desktop-file-validate isn't there (desktop-file-utils)")
	}
	file := filepath.Join(t.TempDir(), desktopFile)
	if err := os.WriteFile(file, deployed(t, desktopFile), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("desktop-file-validate", "--no-hints", file).CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("%v: %s", err, out)
	}
}
