package setup

import (
	"fmt"
	"strings"
)

// answers are what a person said of the archive; "" is what it doesn't have.
type answers struct {
	name                      string
	masters, access           string // folders
	vaultMasters, vaultAccess string
	cloud, key                string // address of the folder, file of the key
	drive                     string
	server, from, to          string
	user, password            string // file of the password
	place                     string // of the arrivals store, as people know it
	vaultPlace, discsPlace    string
	ownDrive                  bool   // the second copies count although they lie on the same drive: a trial
	listen                    string // "" is the usual address
	register                  string // whole lines
}

// text is the configuration, each line that isn't plain with a comment.
func (s answers) text() string {
	var b strings.Builder
	line := func(setting, comment string) {
		if comment != "" {
			setting = fmt.Sprintf("%-26s # %s", setting, comment)
		}
		b.WriteString(setting + "\n")
	}
	sets := func(masters, access string) string {
		var in []string
		if masters != "" {
			in = append(in, "masters = "+quote(masters))
		}
		if access != "" {
			in = append(in, "access = "+quote(access))
		}
		return "sets = { " + strings.Join(in, ", ") + " }"
	}
	line("name  = "+quote(s.name), "")
	line(`state = "state"`, "the ledger; relative paths begin at this file's folder")
	line("\n[set.masters]", "")
	line(`role = "master"`, "frozen: any change is a finding")
	if s.access != "" {
		line("\n[set.access]", "")
		line(`role = "access"`, "may be edited")
		line(`editing = "3d"`, "counts as finished when it was at rest for so long")
	}
	place := func(where, like, comment string) {
		if where != "" {
			line("place = "+quote(where), comment)
			return
		}
		line("# place = "+quote(like), comment)
	}
	line("\n[store.studio]", "")
	line(`kind = "disk"`, "")
	line("arrivals = true", "new files appear here")
	place(s.place, "Studio, room 12", "where it stands, in your words; letters say it")
	line(sets(s.masters, s.access), "")
	line(`read_within = "30d"`, "every byte is read at least this often")
	if s.vaultMasters != "" || s.vaultAccess != "" {
		line("\n[store.vault]", "")
		line(`kind = "disk"`, "")
		place(s.vaultPlace, "Town hall, safe", "another place than the studio's, so that no fire takes both")
		line(sets(s.vaultMasters, s.vaultAccess), "")
		line(`expect_within = "3d"`, "new files should be here by then")
		line("# manifests = true", "write manifests and backups of the ledger here, too")
		line("# visiting = true", "if this drive lives in a safe and is seldom plugged in")
		own := "# own_drive = true"
		if s.ownDrive {
			own = "own_drive = true"
		}
		line(own, "a trial on one drive: count the copies here all the same")
	}
	if s.cloud != "" {
		line("\n[store.cloud]", "")
		line(`kind = "cloud"`, "")
		for _, x := range cloudOf(s.cloud).lines {
			line(x.key+" = "+quote(x.value), x.comment)
		}
		line("credentials = "+quote(s.key), "needs no more than to read")
	}
	if s.drive != "" {
		line("\n[store.discs]", "")
		line(`kind = "optical"`, `register each disc when it is burned: "firmus disc add"`)
		line("drive = "+quote(s.drive), "")
		place(s.discsPlace, "Disc cabinet, room 12", "")
	}
	if s.server != "" {
		var to []string
		for _, a := range strings.Split(s.to, ",") {
			if a = strings.TrimSpace(a); a != "" {
				to = append(to, quote(a))
			}
		}
		line("\n[mail]", "")
		line("server = "+quote(s.server), "")
		line("from = "+quote(s.from), "")
		line("to = ["+strings.Join(to, ", ")+"]", `"firmus check --mail" sends a letter to try`)
		if s.user != "" {
			line("user = "+quote(s.user), "")
			line("password_file = "+quote(s.password), "")
		}
	}
	if s.listen != "" {
		line("\n[web]", "")
		line("listen = "+quote(s.listen), "where the pages are, on this computer")
	}
	if s.register != "" {
		b.WriteString("\n" + s.register)
	}
	return b.String()
}

// quote writes a TOML string: literal if that is possible, so that Windows paths stand
// as people know them.
func quote(s string) string {
	if !strings.Contains(s, "'") {
		return "'" + s + "'"
	}
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(s) + `"`
}
