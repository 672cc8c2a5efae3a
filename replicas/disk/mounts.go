package disk

import (
	"context"
	"fmt"
	"path/filepath"

	"firmus/fixity"
	"firmus/replicas/ground"
)

// Mounts gives those of the first-level folders that lie on another volume than the root
// does, with where they lie. Folders that aren't there are left out. It fails as Volume
// does.
func (d *Dir) Mounts(ctx context.Context, folders []string) (map[string]fixity.Lies, error) {
	out, err := call(ctx, &d.stuck, func() (map[string]fixity.Lies, error) {
		r, err := d.openRoot()
		if err != nil {
			return nil, err
		}
		defer r.Close()
		own, err := r.Stat(".")
		if err != nil {
			return nil, awayOrDenied(err)
		}
		out := map[string]fixity.Lies{}
		for _, f := range folders {
			fi, err := r.Lstat(f)
			if f == "" || err != nil || !fi.IsDir() || !otherDevice(own, fi) {
				continue
			}
			root, err := ground.VolumeOf(d.root)
			if err != nil {
				return nil, awayOrDenied(err)
			}
			// Parts of one file system may have numbers of their own.
			if l, err := ground.VolumeOf(filepath.Join(d.root, f)); err == nil && l.Device != root.Device {
				out[f] = l
			}
		}
		return out, nil
	})
	if err != nil {
		return nil, fmt.Errorf("mounts below %s: %w", d.root, err)
	}
	return out, nil
}
