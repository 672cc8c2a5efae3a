package guarded

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"firmus/fixity"
	"firmus/fixity/ledger/private"
	"firmus/replicas/named"
)

// Uploads lays files in a new folder, as a service keeps them: STORE/SET/PATH. The folder may
// be there if it is empty, and lies in no guarded one (fixity.ErrRefused). Nothing that lies
// there is replaced.
func (f Folders) Uploads(dir string) (lay func(store, set, at string, write func(io.Writer) error) error, err error) {
	if err := f.Outside(dir); err != nil {
		return nil, err
	}
	if err := named.Folder(dir); err != nil {
		return nil, err
	}
	if names, err := os.ReadDir(dir); len(names) > 0 {
		return nil, fmt.Errorf("%s is not empty: name a new folder: %w", dir, fixity.ErrRefused)
	} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	return func(store, set, at string, write func(io.Writer) error) error {
		path := filepath.Join(dir, store, set, filepath.FromSlash(at))
		if err := private.Make(filepath.Dir(path), 0o755); err != nil {
			return err
		}
		return f.Write(path, nil, write)
	}, nil
}
