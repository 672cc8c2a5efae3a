//go:build unix

package private

import (
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

type owner struct {
	uid, gid int
	known    bool
}

func ownerOf(st fs.FileInfo) owner {
	s, ok := st.Sys().(*syscall.Stat_t)
	if !ok {
		return owner{}
	}
	return owner{int(s.Uid), int(s.Gid), true}
}

// give gives what root has made to the account that the folder belongs to: the daemon
// must be able to go on with it.
func (o owner) give(path string) {
	if !o.known || os.Geteuid() != 0 {
		return
	}
	st, err := os.Lstat(path)
	if err != nil {
		return
	}
	if now := ownerOf(st); now != o {
		_ = os.Lchown(path, o.uid, o.gid)
	}
}

func (o owner) group() int {
	if !o.known {
		return -1
	}
	return o.gid
}

// Take gives a state folder and all in it to an account, making the folder if need be:
// closed, or shared with a group. Only root may do so. Links are not followed.
func Take(state string, uid, gid int, shared bool) error {
	if err := Make(state, 0o700); err != nil {
		return err
	}
	m := Modes{File: 0o600, Dir: 0o700}
	if shared {
		m = Modes{File: 0o660, Dir: 0o770 | fs.ModeSetgid}
	}
	return filepath.WalkDir(state, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if !d.IsDir() && !d.Type().IsRegular() {
			return nil
		}
		if err := os.Lchown(path, uid, gid); err != nil {
			return err
		}
		return os.Chmod(path, m.of(d.IsDir())) // after the owner: that takes setgid away
	})
}
