package app

import (
	"cmp"
	"path/filepath"
	"time"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/statements"
	"firmus/fixity"
)

// DeskOf is what the configuration says of the archive's places and people.
func DeskOf(cfg *config.Config) statements.Desk {
	d := statements.Desk{Command: config.CommandIn(string(filepath.Separator), cfg.File), Name: cfg.Name, Config: cfg.File, State: cfg.State, Secrets: []string{filepath.Join(cfg.State, "record.key")}}
	if cfg.Web.Listen != "" {
		d.Pages = cmp.Or(cfg.Web.Address, PagesAt(cfg, cfg.Web.Listen))
	}
	for _, s := range cfg.Sets {
		d.Sets = append(d.Sets, s.Name)
		if d.Masters == "" && s.Role == fixity.Master {
			d.Masters = s.Name
		}
	}
	for _, s := range cfg.Stores {
		p := statements.DeskStore{Store: s.Name, Kind: string(s.Kind), Place: s.Place, Arrivals: s.Arrivals, Visiting: s.Visiting, Follows: s.Follows, Roots: map[string]string{}}
		for _, r := range s.Sets {
			p.Roots[r.Set] = r.Path
			if s.Kind == config.Cloud {
				p.Roots[r.Set] = "folder " + s.Folder + ", in it " + r.Set
			}
		}
		d.Places = append(d.Places, p)
		if s.Credentials != "" {
			d.Secrets = append(d.Secrets, s.Credentials)
		}
	}
	if m := cfg.Mail; m != nil {
		d.MailSent, d.Letters, d.Deputy = true, m.To, m.Deputy
		// A Sunday of no meaning: only the day of the week and the time are written.
		at := time.Date(2023, 1, 1+int(m.Weekly.Day), 0, 0, 0, 0, time.UTC).Add(m.Weekly.At)
		d.Weekly, d.By = at.Format("Monday 15:04"), at.Add(letterLate).Format("Monday 15:04")
		if m.PasswordFile != "" {
			d.Secrets = append(d.Secrets, m.PasswordFile)
		}
	}
	return d
}

// letterLate is how long after its time a weekly letter is waited for.
const letterLate = 3 * time.Hour
