package shelf

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/cmd/firmus/internal/discs/sheets"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/fixity"
	"firmus/replicas/optical"
)

// deskOf is where discs are checked, under a person's name.
func deskOf(s *site.Site, a *archive.Archive) checking.Desk {
	return checking.Desk{Desk: registering.Desk{Archive: a}, Open: s.OpenDisc}
}

// follow has a check tell how far it is.
func follow(x *site.Job, o *checking.Order) {
	length := int64(0)
	o.About = func(c optical.Contents) { length = int64(c.LeadOut) }
	o.Progress = func(p optical.Progress) {
		if p.Pass == optical.First { // how long single sectors take, nobody knows
			x.DealtWith(p.LBA, length)
		} else {
			x.DealtWith(0, 0)
		}
		x.Says(fmt.Sprintf("%s: sector %s of %s", discs.Passes[p.Pass], fixity.Number(p.LBA), fixity.Number(length)))
	}
}

// needsDrive refuses where there is no drive to read discs in.
func needsDrive(s *site.Site) error {
	if s.Drive == "" || s.OpenDisc == nil {
		return site.Refused("The configuration names no drive for discs.")
	}
	return nil
}

// discCheckAct reads the disc in the drive.
func discCheckAct(q *site.Request) error {
	s := q.Site
	if err := needsDrive(s); err != nil {
		return err
	}
	o := checking.Order{Number: q.Field("number"), Written: q.Field("written"), Looked: q.Field("looked"), Fresh: q.Ticked("fresh"), At: discs.At{Drive: s.Drive}}
	what := "Check the disc in " + s.Drive
	return q.Watched(what, func(ctx context.Context, a *archive.Archive, x *site.Job) (site.Outcome, error) {
		x.Then("the check sheet, to print.")
		follow(x, &o)
		c, err := deskOf(s, a).Check(ctx, o)
		var broken *checking.BrokenOff
		if err != nil && !errors.As(err, &broken) {
			return site.Outcome{}, err
		}
		sheet := sheets.CheckSheet{Archive: s.Name, Check: c, Say: a.Words.Order}
		out := site.Outcome{Lead: "The disc isn't as it should be. Look at the sheet."}
		switch {
		case broken != nil:
			sheet.Unfinished = broken.Error()
			out.Lead = site.Sentence(broken.Error())
		case c.Unfinished():
			out.Lead = "The disc was read, and has yet to be compared."
		case c.Good():
			out.Lead = "The disc is as it should be."
		}
		if c.Swap != "" {
			out.Lead += " " + site.Sentence(c.Swap)
		}
		var text bytes.Buffer
		if err := sheet.Text(&text); err != nil {
			return site.Outcome{}, err
		}
		out.Text = strings.TrimSpace(text.String())
		out.Links = site.FindingLinks(c.Findings)
		if c.Disc.ID != 0 {
			out.Links = append(out.Links, site.Link{Path: site.DiscPath(c.Disc.Name()), Text: "Disc " + site.Shown(c.Disc.Name())})
			if c.Row.ID != 0 {
				out.Links = append(out.Links, site.Link{Path: fmt.Sprintf("/print%s/checks/%d", site.DiscPath(c.Disc.Name()), c.Row.ID), Text: "The check sheet to print"})
			}
		}
		return out, nil
	})
}

// discDecideAct accepts what was changed on the way for a whole class of discs.
func discDecideAct(q *site.Request) error {
	number := q.Field("number")
	reason, err := q.Reason()
	if err != nil {
		return err
	}
	n := int64(0)
	if q.Field("discs") != "" {
		if n, err = q.Typed("discs"); err != nil {
			return err
		}
	}
	return q.Act("Decide for the class of disc "+site.Shown(number), func(ctx context.Context, a *archive.Archive) (site.Outcome, error) {
		_, ds, err := deskOf(q.Site, a).Decide(ctx, registering.Decision{Number: number, Discs: int(n), AnyGain: q.Ticked("any"), Reason: reason})
		if err != nil {
			return site.Outcome{}, err
		}
		return site.Outcome{Lead: fixity.Counted(len(ds), "disc", "is", "are") + " covered by the decision now, and those that are checked later.", Links: []site.Link{{Path: "/discs", Text: "Discs"}}}, nil
	})
}
