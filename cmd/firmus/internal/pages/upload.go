package pages

import (
	"context"
	"fmt"
	"io"
	"path/filepath"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/recovering"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
)

var uploadRoutes = []site.Route{
	{Pattern: "POST /findings/{id}/lay-out", Needs: fixity.Technician, Do: layOutFinding},
	{Pattern: "POST /stores/{name}/lay-out", Needs: fixity.Technician, Do: layOutStore},
}

// uploadForm is the order to lay out what is to be uploaded to a cloud.
type uploadForm struct {
	Action  string
	Folders []folder
	Person  site.Asks
}

// notYet stands for the folder that isn't chosen yet: only the plan is asked for.
func notYet(string, string, string, func(io.Writer) error) error { return fixity.ErrRefused }

func layOutFinding(q *site.Request) error {
	id, saw, err := findingOf(q)
	if err != nil {
		return err
	}
	return layOut(q, recovering.Order{Findings: []int64{id}, Saw: saw}, fmt.Sprintf("/findings/%d", id))
}

func layOutStore(q *site.Request) error {
	rule, err := storeOf(q)
	if err != nil {
		return err
	}
	if rule.Kind != string(config.Cloud) {
		return site.Refused("What is laid out is for a cloud. In this store Firmus puts files in their place itself.")
	}
	return layOut(q, recovering.Order{Store: rule.Name}, pathOf(rule.Name))
}

// layOut lays intact files for a cloud into a new folder in the one that was chosen, with a
// list of what to upload where. Firmus itself only reads a cloud.
func layOut(q *site.Request, o recovering.Order, back string) error {
	if !q.MayKnowAll() {
		return site.ErrRestricted
	}
	in, err := sourceOf(q)
	if err != nil {
		return err
	}
	g := q.Site.Guarded
	dir := filepath.Join(in, "to-upload-"+q.Site.Now().Local().Format("2006-01-02-150405"))
	up, err := g.Uploads(dir)
	if err != nil {
		return err
	}
	o.Upload = up.Lay
	o.Reason = q.Field("reason")
	return q.Watched("Lay out what is to be uploaded", func(ctx context.Context, a *archive.Archive, x *site.Job) (site.Outcome, error) {
		defer up.Close()
		o.Done = x.Deals
		res, err := recovering.Of(a).Recover(ctx, o)
		if err != nil {
			return site.Outcome{}, err
		}
		n, bytes := res.Count(recovering.ToUpload)
		out := site.Outcome{Lead: "Nothing is to be uploaded.", Links: []site.Link{{Path: back, Text: "Back"}}}
		t, not := sheet.Table{Head: []string{"file", "goes to", "how"}}, sheet.Block{Title: "What was not laid out"}
		for _, x := range res.Items {
			if x.State != recovering.ToUpload {
				not.Facts = append(not.Facts, [2]string{x.Store + ": " + site.Shown(x.Set+"/"+x.Path), site.Sentence(x.Why + " ")})
			} else if len(t.Rows) < mostKept {
				t.Rows = append(t.Rows, []string{filepath.Join(x.Store, x.Set, filepath.FromSlash(x.Path)), x.To.Path, x.HowToUpload()})
			}
		}
		if n > 0 {
			if err := up.Done(recovering.UploadList, res.Uploads()); err != nil {
				return site.Outcome{}, err
			}
			out.Lead = fmt.Sprintf("%s laid ready in %s (%s). Upload them by the list %s there, then have the store read: Work, Read a store now.",
				fixity.Counted(n, "file", "is", "are"), site.Shown(dir), report.Size(bytes), recovering.UploadList)
			out.Blocks = []sheet.Block{{Table: &t}}
			out.Links = append(out.Links, site.Link{Path: "/work#read", Text: "Read a store now"})
		}
		if len(not.Facts) > 0 {
			out.Blocks = append(out.Blocks, not)
		}
		return out, nil
	})
}
