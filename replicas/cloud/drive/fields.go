package drive

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/replicas/cloud"

	api "google.golang.org/api/drive/v3"
)

// fileFields are the fields of a file that item uses, all of them and no others.
const fileFields = "id,name,mimeType,parents,driveId,size,md5Checksum,sha256Checksum,headRevisionId,createdTime,modifiedTime," +
	"trashed,explicitlyTrashed,trashedTime,owners(emailAddress),permissionIds,capabilities(canDownload,canListChildren)"

// The media types of what isn't a file with bytes (guide "Google Workspace and
// Google Drive supported MIME types").
const (
	nativePrefix = "application/vnd.google-apps."
	folderType   = nativePrefix + "folder"
	shortcutType = nativePrefix + "shortcut"
)

// binDays is how long a thing stays in the bin (guide "Trash or delete files and
// folders": "Items in the trash are automatically deleted after 30 days").
const binDays = 30

// item is a file as package cloud has it. The ids of a permission that asks for no account are
// from memory: the discovery document says only that permissionIds are those of who has access. It fails for an answer that can't be
// right: nothing may be concluded from it.
func item(f *api.File) (cloud.Item, error) {
	if f == nil { // JSON's null
		return cloud.Item{}, errNull
	}
	it := cloud.Item{
		ID: f.Id, Drive: f.DriveId, Name: f.Name,
		InBin: f.Trashed, Binned: f.ExplicitlyTrashed,
	}
	var err error
	if it.ID == "" {
		return it, fmt.Errorf("an item without an id")
	}
	if len(f.Parents) > 0 {
		it.Parent = f.Parents[0]
	}
	for _, t := range []struct {
		text string
		at   *time.Time
	}{{f.CreatedTime, &it.Created}, {f.ModifiedTime, &it.ModTime}, {f.TrashedTime, &it.BinAt}} {
		if t.text == "" {
			continue
		}
		if *t.at, err = time.Parse(time.RFC3339, t.text); err != nil {
			return it, fmt.Errorf("item %q: time %q: %w", f.Id, t.text, err)
		}
		*t.at = t.at.UTC()
	}
	if it.InBin {
		it.BinDays = binDays
	}
	if !it.BinAt.IsZero() {
		it.GoneAt = it.BinAt.AddDate(0, 0, binDays)
	}
	if len(f.Owners) > 0 {
		if f.Owners[0] == nil {
			return it, errNull
		}
		it.Owner = f.Owners[0].EmailAddress
		if it.Owner == "" {
			it.Owner = "unknown"
		}
	}
	it.Public = slices.ContainsFunc(f.PermissionIds, func(id string) bool { return id == "anyone" || id == "anyoneWithLink" })
	can := f.Capabilities
	if can == nil {
		can = &api.FileCapabilities{}
	}
	switch {
	case f.MimeType == folderType:
		it.Kind, it.Closed = cloud.Dir, !can.CanListChildren
	case f.MimeType == shortcutType:
		it.Kind = cloud.Shortcut
	case f.Md5Checksum == "" && f.HeadRevisionId == "" && strings.HasPrefix(f.MimeType, nativePrefix):
		it.Kind = cloud.Native
	default:
		it.Size, it.Version, it.NoBytes = f.Size, f.HeadRevisionId, !can.CanDownload
		if it.Size < 0 {
			return it, fmt.Errorf("item %q: a size of %d bytes", f.Id, f.Size)
		}
		// "if available" (discovery document): none is no evidence, never agreement.
		switch {
		case f.Sha256Checksum != "":
			it.Sum, err = fixity.ParseDigest(fixity.SHA256, f.Sha256Checksum)
		case f.Md5Checksum != "":
			it.Sum, err = fixity.ParseDigest(fixity.MD5, f.Md5Checksum)
		}
		if err != nil {
			return it, fmt.Errorf("item %q: %w", f.Id, err)
		}
	}
	return it, nil
}
