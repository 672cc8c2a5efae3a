package drive

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"

	"firmus/replicas/cloud"
	"firmus/replicas/cloud/wire"

	api "google.golang.org/api/drive/v3"
	"google.golang.org/api/googleapi"
)

// pageSize is the most that the API gives (discovery document, files.list).
const pageSize = 1000

// Service is Google Drive. It is a cloud.Service, cloud.ChangeLog and
// cloud.Checker, and may be used by several goroutines at once.
type Service struct {
	api   *api.Service
	cred  *Credential // nil at a test server
	trip  *roundTripper
	class *classifier
}

var (
	_ cloud.Service   = (*Service)(nil)
	_ cloud.ChangeLog = (*Service)(nil)
	_ cloud.Exporter  = (*Service)(nil)
	_ cloud.Checker   = (*Service)(nil)
)

// Get is the item with that id.
func (s *Service) Get(ctx context.Context, id string) (cloud.Item, error) {
	f, err := given(s.api.Files.Get(id).Context(ctx).SupportsAllDrives(true).Fields(fileFields).Do())
	if err != nil {
		return cloud.Item{}, s.class.of(err)
	}
	it, err := item(f)
	if err != nil {
		return it, wire.Nonsense(http.StatusOK, err)
	}
	return it, nil
}

// Page is one page of what q asks for.
func (s *Service) Page(ctx context.Context, q cloud.Query, token string) (cloud.Page, error) {
	call := s.api.Files.List().Context(ctx).Spaces("drive").PageSize(pageSize).
		SupportsAllDrives(true).IncludeItemsFromAllDrives(true).
		Fields("nextPageToken,incompleteSearch,files(" + fileFields + ")")
	if q.Drive != "" {
		call.Corpora("drive").DriveId(q.Drive)
	} else {
		call.Corpora("user")
	}
	if len(q.Parents) > 0 {
		call.Q(inParents(q.Parents))
	}
	if token != "" {
		call.PageToken(token)
	}
	l, err := given(call.Do())
	if err != nil {
		return cloud.Page{}, s.class.of(err)
	}
	if len(l.Files) > pageSize {
		return cloud.Page{}, tooMany(len(l.Files))
	}
	p := cloud.Page{Next: l.NextPageToken, Partial: l.IncompleteSearch, Items: make([]cloud.Item, len(l.Files))}
	for i, f := range l.Files {
		if p.Items[i], err = item(f); err != nil {
			return cloud.Page{}, wire.Nonsense(http.StatusOK, err)
		}
	}
	return p, nil
}

// inParents is a query for what lies directly in one of some folders, in the
// bin or not.
func inParents(ids []string) string {
	var b strings.Builder
	for i, id := range ids {
		if i > 0 {
			b.WriteString(" or ")
		}
		b.WriteString(quote(id))
		b.WriteString(" in parents")
	}
	return b.String()
}

// quote makes a string of the query language (guide "Search query terms and
// operators": escape single quotes with \').
func quote(s string) string {
	return "'" + strings.NewReplacer(`\`, `\\`, `'`, `\'`).Replace(s) + "'"
}

// Open gives the bytes of a file from offset on. It asks for a range also of the
// whole file: without one, Go's transport offers to take the bytes compressed.
func (s *Service) Open(ctx context.Context, it cloud.Item, offset int64) (io.ReadCloser, error) {
	call := s.api.Files.Get(it.ID).Context(ctx).SupportsAllDrives(true)
	call.Header().Set("Range", wire.Range(offset, it.Size))
	res, err := call.Download()
	if err != nil {
		var e *googleapi.Error
		if errors.As(err, &e) && e.Code == http.StatusRequestedRangeNotSatisfiable {
			return nil, fmt.Errorf("%w: no byte %d is there", cloud.ErrOtherSize, offset)
		}
		return nil, s.class.ofFile(err)
	}
	if wire.IsPage(res, it.Name) {
		res.Body.Close()
		return nil, wire.PageInstead(res.StatusCode, "the file's bytes")
	}
	if err := wire.RightRange(res, offset, it.Size); err != nil {
		res.Body.Close()
		return nil, err
	}
	return res.Body, nil
}

// Export gives a document of the service's own as a file of a media type. The service gives
// 10 MB at most, and no ranges.
func (s *Service) Export(ctx context.Context, id, mediaType string) (io.ReadCloser, error) {
	res, err := s.api.Files.Export(id, mediaType).Context(ctx).Download()
	if err != nil {
		return nil, s.class.ofFile(err)
	}
	if wire.IsPage(res, "") {
		res.Body.Close()
		return nil, wire.PageInstead(res.StatusCode, "the document")
	}
	return res.Body, nil
}

// Now is the token of this moment in the log of a shared drive, or of the account.
func (s *Service) Now(ctx context.Context, drive string) (string, error) {
	call := s.api.Changes.GetStartPageToken().Context(ctx).SupportsAllDrives(true).Fields("startPageToken")
	if drive != "" {
		call.DriveId(drive)
	}
	t, err := given(call.Do())
	if err != nil {
		return "", s.class.of(err)
	}
	if t.StartPageToken == "" {
		return "", wire.Nonsense(http.StatusOK, errors.New("no token was given"))
	}
	return t.StartPageToken, nil
}

// Changes is a page of what changed since token.
func (s *Service) Changes(ctx context.Context, drive, token string) (cloud.ChangePage, error) {
	call := s.api.Changes.List(token).Context(ctx).Spaces("drive").PageSize(pageSize).IncludeRemoved(true).
		SupportsAllDrives(true).IncludeItemsFromAllDrives(true).
		Fields("nextPageToken,newStartPageToken,changes(changeType,removed,fileId,file(" + fileFields + "))")
	if drive != "" {
		call.DriveId(drive)
	}
	l, err := given(call.Do())
	if err != nil {
		return cloud.ChangePage{}, s.class.of(err)
	}
	if len(l.Changes) > pageSize {
		return cloud.ChangePage{}, tooMany(len(l.Changes))
	}
	p := cloud.ChangePage{Next: l.NextPageToken, Newest: l.NewStartPageToken}
	if p.Next == "" && p.Newest == "" {
		return cloud.ChangePage{}, wire.Nonsense(http.StatusOK, errors.New("changes end without a token for the next time"))
	}
	for _, c := range l.Changes {
		if c == nil {
			return cloud.ChangePage{}, wire.Nonsense(http.StatusOK, errNull)
		}
		if c.FileId == "" || c.ChangeType == "drive" {
			continue // of the shared drive itself
		}
		x := cloud.Change{ID: c.FileId, Gone: c.Removed || c.File == nil}
		if !x.Gone {
			if x.Item, err = item(c.File); err != nil {
				return cloud.ChangePage{}, wire.Nonsense(http.StatusOK, err)
			}
		}
		p.Changes = append(p.Changes, x)
	}
	return p, nil
}

// tooMany is for a page with more on it than was asked for.
func tooMany(n int) error {
	return wire.Nonsense(http.StatusOK, fmt.Errorf("a page of %d was asked for, and has %d", pageSize, n))
}
