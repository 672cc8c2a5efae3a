package app

import (
	"fmt"
	"path"
	"path/filepath"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity/ledger"
)

// aside is the folder in which damaged files are kept outside the stores.
const aside = "kept-aside"

// Where says where things lie, for steps and letters.
func (a *App) Where() report.Where {
	return report.Where{Path: a.pathOf, Aside: a.asideOf}
}

// Finding is a finding as JSON.
func (a *App) Finding(f ledger.Finding, fresh bool) report.Finding {
	return report.FindingOf(f, a.Acts.Rules, fresh)
}

// pathOf is the whole path of a place in a store's set: as this system writes it on a
// disk store; the service and the path in the store's folder in a cloud.
func (a *App) pathOf(store, set, at string) string {
	s, _ := a.Config.Store(store)
	switch s.Kind {
	case config.Disk:
		return filepath.Join(a.where(store, set), filepath.FromSlash(at))
	case config.Cloud:
		return fmt.Sprintf("%s (%s): %s", store, s.Service, path.Join(set, at))
	}
	return path.Join(store, set, at)
}

// asideOf is a folder for a damaged file of a store's set that lies in no store and not in
// the state folder: beside the set's own folder if that can be, since to move a file on
// one drive reads nothing of it. "" if there is none.
func (a *App) asideOf(store, set string) string {
	beside := []string{a.where(store, set)}
	if s, _ := a.Config.Store(store); s.Kind != config.Disk {
		beside = nil
	}
	for _, s := range a.Config.Stores {
		if s.Kind == config.Disk && s.Arrivals {
			for _, r := range s.Sets {
				beside = append(beside, r.Path)
			}
		}
	}
	for _, root := range append(beside, a.Config.File) {
		if dir := filepath.Dir(root); dir != root && !a.taken(filepath.Join(dir, aside)) {
			return filepath.Join(dir, aside)
		}
	}
	return ""
}

// taken says that a folder is, or lies in, a store or the state folder.
func (a *App) taken(dir string) bool {
	roots := []string{a.Config.State}
	for _, s := range a.Config.Stores {
		for _, r := range s.Sets {
			if s.Kind == config.Disk {
				roots = append(roots, r.Path)
			}
		}
	}
	for _, r := range roots {
		if rel, err := filepath.Rel(r, dir); err == nil && filepath.IsLocal(rel) {
			return true
		}
	}
	return false
}
