package disk

import (
	"os"

	"firmus/fixity"

	"golang.org/x/sys/unix"
)

// openSource asks that nothing new is cached (F_NOCACHE of fcntl(2)); what is
// cached already may still answer, so nothing is claimed.
func openSource(parent *os.Root, name string, want fixity.Cache) (source, error) {
	f, err := parent.OpenFile(name, os.O_RDONLY|unix.O_NONBLOCK|unix.O_NOCTTY, 0)
	if err != nil {
		return nil, err
	}
	if want == fixity.Allowed {
		return &plainSource{f, fixity.Allowed}, nil
	}
	if _, err := unix.FcntlInt(f.Fd(), unix.F_NOCACHE, 1); err != nil {
		f.Close()
		return nil, err
	}
	return &plainSource{f, fixity.Unknown}, nil
}
