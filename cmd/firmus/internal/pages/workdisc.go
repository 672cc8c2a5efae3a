package pages

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
	"firmus/fixity"
	"firmus/replicas/optical"
)

var discActRoutes = []route{
	{"POST /work/disc", fixity.Technician, discCheckAct},
	{"POST /work/disc/decide", fixity.Reviewer, discDecideAct},
}

// desk is where discs are checked, under a person's name.
func (s *Site) desk(a *archive.Archive) checking.Desk {
	return checking.Desk{Desk: registering.Desk{Archive: a}, Open: s.o.OpenDisc}
}

// follow has a check tell how far it is.
func (x *job) follow(o *checking.Order) {
	length := int64(0)
	o.About = func(c optical.Contents) { length = int64(c.LeadOut) }
	o.Progress = func(p optical.Progress) {
		if p.Pass == optical.First { // how long single sectors take, nobody knows
			x.dealtWith(p.LBA, length)
		} else {
			x.dealtWith(0, 0)
		}
		x.says(fmt.Sprintf("%s: sector %s of %s", discs.Passes[p.Pass], fixity.Number(p.LBA), fixity.Number(length)))
	}
}

// drive refuses where there is no drive to read discs in.
func (s *Site) drive() error {
	if s.o.Drive == "" || s.o.OpenDisc == nil {
		return refused("The configuration names no drive for discs.")
	}
	return nil
}

// discCheckAct reads the disc in the drive.
func discCheckAct(q *request) error {
	s := q.s
	if err := s.drive(); err != nil {
		return err
	}
	o := checking.Order{Number: q.field("number"), Written: q.field("written"), Looked: q.field("looked"), Fresh: q.ticked("fresh"), At: discs.At{Drive: s.o.Drive}}
	what := "Check the disc in " + s.o.Drive
	return q.watched(what, func(ctx context.Context, a *archive.Archive, x *job) (outcome, error) {
		x.then("the check sheet, to print.")
		x.follow(&o)
		c, err := s.desk(a).Check(ctx, o)
		var broken *checking.BrokenOff
		if err != nil && !errors.As(err, &broken) {
			return outcome{}, err
		}
		sheet := sheets.CheckSheet{Archive: s.o.Name, Check: c, Say: a.Words.Order}
		out := outcome{Lead: "The disc isn't as it should be. Look at the sheet."}
		switch {
		case broken != nil:
			sheet.Unfinished = broken.Error()
			out.Lead = sentence(broken.Error())
		case c.Unfinished():
			out.Lead = "The disc was read, and has yet to be compared."
		case c.Good():
			out.Lead = "The disc is as it should be."
		}
		if c.Swap != "" {
			out.Lead += " " + sentence(c.Swap)
		}
		var text bytes.Buffer
		if err := sheet.Text(&text); err != nil {
			return outcome{}, err
		}
		out.Text = strings.TrimSpace(text.String())
		out.Links = findingLinks(c.Findings)
		if c.Disc.ID != 0 {
			out.Links = append(out.Links, link{discPath(c.Disc.Name()), "Disc " + shown(c.Disc.Name())})
			if c.Row.ID != 0 {
				out.Links = append(out.Links, link{fmt.Sprintf("/print%s/checks/%d", discPath(c.Disc.Name()), c.Row.ID), "The check sheet to print"})
			}
		}
		return out, nil
	})
}

// discDecideAct accepts what was changed on the way for a whole class of discs.
func discDecideAct(q *request) error {
	number := q.field("number")
	reason, err := q.reason()
	if err != nil {
		return err
	}
	n := int64(0)
	if q.field("discs") != "" {
		if n, err = q.typed("discs"); err != nil {
			return err
		}
	}
	return q.act("Decide for the class of disc "+shown(number), func(ctx context.Context, a *archive.Archive) (outcome, error) {
		_, ds, err := q.s.desk(a).Decide(ctx, registering.Decision{Number: number, Discs: int(n), AnyGain: q.ticked("any"), Reason: reason})
		if err != nil {
			return outcome{}, err
		}
		return outcome{Lead: fixity.Counted(len(ds), "disc", "is", "are") + " covered by the decision now, and those that are checked later.", Links: []link{{"/discs", "Discs"}}}, nil
	})
}
