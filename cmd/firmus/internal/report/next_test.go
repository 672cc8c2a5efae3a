package report_test

import (
	"fmt"
	"path"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

const side = "QV-0107/QV-0107_A.wav"

var readAt = time.Date(2026, 11, 28, 18, 43, 0, 0, time.UTC)

// where is as on a system that writes \ between folders.
var where = report.Where{
	Path: func(store, set, at string) string {
		root := map[string]string{"studio": `D:\studio`, "vault": `E:\vault`, "attic": `F:\attic`}[store]
		if root == "" {
			return store + " (drive): " + path.Join(set, at)
		}
		return strings.TrimSuffix(root+`\`+set+`\`+strings.ReplaceAll(at, "/", `\`), `\`)
	},
	Aside: func(store, set string) string { return `D:\kept-aside` },
}

// readIn is an intact copy that was read.
func readIn(store string) ledger.Copy {
	return ledger.Copy{Store: store, Set: "masters", File: 107, At: side, State: fixity.Intact, Held: 1, Size: 1000, Read: fixity.Evidence{At: readAt, OK: true, Cache: fixity.Bypassed}}
}

// reportedIn is a copy that only a service reports to be right.
func reportedIn(store string) ledger.Copy {
	c := readIn(store)
	c.Read, c.Reported = fixity.Evidence{}, fixity.Evidence{At: readAt, OK: true}
	return c
}

// ahead is a copy that is to be read before all others.
func ahead(c ledger.Copy) ledger.Copy {
	c.Due = time.Unix(0, -1)
	return c
}

// about is a matter of one finding about the master QV-0107 A, with the copies that are
// intact, and the copy that the finding is about.
func about(f ledger.Finding, intact ...ledger.Copy) report.Matter {
	f.File, f.IntactIn = 107, nil
	own := ledger.Copy{Store: f.Store, Set: f.Set, Carrier: f.Carrier, Disc: f.Disc, File: 107, At: side, State: fixity.State(f.Kind), Size: 1000}
	if own.State == fixity.Misplaced && f.FoundAt == "" {
		f.FoundAt = "QV-0108/QV-0107_A.wav"
	}
	k := report.Known{File: ledger.File{ID: 107, Set: "masters", Path: side, Version: 1}, Copies: []ledger.Copy{own}, Boxes: map[int64]string{31: "4"}, Found: map[string]string{}}
	for _, c := range intact {
		f.IntactIn = append(f.IntactIn, c.Store)
		k.Copies = append(k.Copies, c)
	}
	return report.Matter{Findings: []ledger.Finding{f}, Rules: rules, Where: where, Files: map[int64]report.Known{107: k},
		When: func(t time.Time) string { return t.UTC().Format("2 Jan 2006 15:04 UTC") }}
}

// several joins matters of one finding each.
func several(ms ...report.Matter) report.Matter {
	m := ms[0]
	for _, o := range ms[1:] {
		m.Findings = append(m.Findings, o.Findings...)
	}
	return m
}

func anatomy(f ledger.Finding, a fixity.Anatomy, seen ...fixity.FactKind) ledger.Finding {
	f.Anatomy = a
	for _, is := range seen {
		f.Facts.Seen = append(f.Facts.Seen, fixity.Fact{Is: is})
	}
	return f
}

func text(m report.Matter) string { return strings.Join(report.Texts(m.Steps()), "\n") }

func TestSteps(t *testing.T) {
	altered := finding(7, "studio", fixity.Altered, care.StepRecover, 0, side)
	gone := finding(7, "studio", fixity.Missing, care.StepRecover, 3, side)
	also := finding(8, "studio", fixity.Missing, care.StepRecover, 3, "QV-0108/QV-0108_A.wav")
	bad, worse := finding(7, "vault", fixity.Unreadable, care.StepRecover, 3, side), finding(8, "vault", fixity.Unreadable, care.StepRecover, 3, "QV-0108/QV-0108_A.wav")
	dead, dying := bad, worse
	dead.Store, dying.Store = "studio", "studio"
	moved := finding(1, "vault", fixity.Misplaced, care.StepMoveBack, 3, side)
	moved.FoundAt = "old/QV-0107_A.wav"
	former := finding(2, "vault", fixity.Behind, care.StepMoveBack, 0, side)
	former.FoundAt = "QV-0107/A.wav"
	left := finding(3, "vault", fixity.State(fixity.Unexpected), care.StepNone, 0, "QV-0107/A.wav")
	left.Subject, left.Facts = fixity.OfStray, fixity.Facts{Seen: []fixity.Fact{{Is: fixity.BytesOf, Set: "masters", Places: []fixity.Path{side}}}}
	onDisc := finding(7, "discs", fixity.Altered, care.StepBurn, 0, side)
	onDisc.Carrier, onDisc.Disc = 31, "QD-0031 A"
	outvoted := finding(7, "studio", fixity.Unsteady, care.StepReread, 0, side)
	outvoted.Facts.Seen = []fixity.Fact{{Is: fixity.FirstOther}}
	wrongWay := finding(8, "vault", fixity.Altered, care.StepOther, 0, side)
	wrongWay.Facts = fixity.Facts{WrongWay: "studio", IntactAt: readAt}
	inCloud := func(kind fixity.State, step care.Step, a fixity.Anatomy, seen ...fixity.FactKind) report.Matter {
		return about(anatomy(finding(7, "sky", kind, step, 0, side), a, seen...), readIn("vault"))
	}
	failing := several(about(bad), about(worse))
	failing.Only = 2
	atStudio := several(about(dead), about(dying))
	atStudio.Fewest = []ledger.Elsewhere{{Others: 1}}
	for _, tc := range []struct {
		name string
		m    report.Matter
		want string
	}{
		{"one damaged file where a program keeps the cloud in step", about(altered, readIn("vault"), readIn("sky")), `
Pause the program that keeps the cloud in step: it could carry the damage on.
The GOOD copy is on the vault: it was intact when last read, 28 Nov 2026 18:43 UTC. The DAMAGED copy is on the studio: don't open or save it, and run no repair program on that drive.
Have the good file put in its place: firmus recover 7 --paused
FROM  E:\vault\masters\QV-0107\QV-0107_A.wav
TO    D:\studio\masters\QV-0107\QV-0107_A.wav
It reads the good file first, keeps what lies there now, and reads the new file back. With --dry-run it only says what it would do.
If it is a better transfer, made on purpose: firmus findings signoff 7 --new-transfer --reason "…"
Start the program that keeps the cloud in step again once this is put right.`},
		{"a file that was renamed, and has its former name in a store", about(former, readIn("studio")), `
The file was renamed, and has its former name here. Have it moved to its new one: firmus recover 2
FROM  E:\vault\masters\QV-0107\A.wav
TO    E:\vault\masters\QV-0107\QV-0107_A.wav
Nothing that lies there by now is replaced.`},
		{"what may be the only good copy in a store", report.Matter{Findings: []ledger.Finding{left}, Rules: rules, Where: where}, `
Leave it where it is: it has the bytes of masters/QV-0107/QV-0107_A.wav, and no copy in its own place on the vault is known to have them. Put that one right first.`},
		{"a good copy that only a service reports", about(finding(7, "vault", fixity.Altered, care.StepRecover, 0, side), reportedIn("sky")), `
Copy nothing yet. The service reported the right checksum for the copy on the sky, 28 Nov 2026 18:43 UTC. Nobody has read that copy:
IT LIES AT  sky (drive): masters/QV-0107/QV-0107_A.wav
Have it read: firmus audit sky --full --set masters --under "QV-0107/QV-0107_A.wav"
If it is intact, firmus findings show 7 names both places. Copy only then.
Until then don't open, save or move the damaged copy on the vault; run no repair program on that drive.`},
		{"a good copy that is read again first", about(finding(7, "vault", fixity.Missing, care.StepRecover, 0, side), ahead(readIn("studio")), ahead(readIn("attic"))), `
The GOOD copy is on the studio: it was intact when last read, 28 Nov 2026 18:43 UTC. Firmus reads it again now, and once more before it is used. Have it copied to its place: firmus recover 7
FROM  D:\studio\masters\QV-0107\QV-0107_A.wav
TO    E:\vault\masters\QV-0107\QV-0107_A.wav
It reads the good file first, and the new one when it is there.`},
		{"of two good copies the one that was read since", about(finding(7, "vault", fixity.Missing, care.StepRecover, 0, side), ahead(readIn("studio")), readIn("attic")), `
The GOOD copy is on the attic: it was intact when last read, 28 Nov 2026 18:43 UTC. Have it copied to its place: firmus recover 7
FROM  F:\attic\masters\QV-0107\QV-0107_A.wav
TO    E:\vault\masters\QV-0107\QV-0107_A.wav
It reads the good file first, and the new one when it is there.`},
		{"one that is only awaited in the cloud: nothing is carried on", about(finding(7, "cloud", fixity.Awaited, care.StepCopy, 0, side), readIn("vault")), `
The GOOD copy is on the vault: it was intact when last read, 28 Nov 2026 18:43 UTC. Upload the good file to its folder:
FROM  E:\vault\masters\QV-0107\QV-0107_A.wav
TO    cloud (drive): masters/QV-0107/QV-0107_A.wav
Then run: firmus audit cloud`},
		{"one that can't be read", about(finding(7, "vault", fixity.Unreadable, care.StepRecover, 0, side), readIn("studio")), `
Try another cable and port for the vault first. Run no repair program on the drive.
If the file still can't be read, go on. The GOOD copy is on the studio: it was intact when last read, 28 Nov 2026 18:43 UTC.
Have the good file put in its place: firmus recover 7
FROM  D:\studio\masters\QV-0107\QV-0107_A.wav
TO    E:\vault\masters\QV-0107\QV-0107_A.wav
It reads the good file first, keeps what lies there now, and reads the new file back. With --dry-run it only says what it would do.
If that can't be done, or another file can't be read either, the drive is failing: stop using it.`},
		{"a failing drive with an only copy", failing, `
Stop using the vault: no copying, no audit, no repair program. Disconnect it once no program works on it any more.
2 files on it were shown to be in no other store. Let somebody qualified save them first, to a new drive: see the list.
When the new drive is in its place: firmus store replace vault --reason "…" (it reads the new drive whole)`},
		{"a failing drive where files arrive", atStudio, `
Pause the program that keeps the cloud in step: it could carry the damage on.
Stop using the studio: no copying, no audit, no repair program. Disconnect it once no program works on it any more.
Every file on it was shown to be in another store. From there, copy to a new drive first what has the fewest other copies: see the list.
When the new drive holds all of it and is in its place: firmus store adopt studio
Then have it read whole: firmus audit studio --full
Start the program that keeps the cloud in step again once this is put right.`},
		{"a mass loss", several(about(gone, readIn("vault")), about(also, readIn("vault"))), `
Pause the program that keeps the cloud in step: it could carry the damage on.
Find out first what happened: was a folder moved, a drive changed, a program run over the files? So many at once are seldom damage.
If they were only moved, put them back where they were.
If not, have each copied from an intact copy: firmus recover --incident 3 --paused. For instance: The GOOD copy is on the vault: it was intact when last read, 28 Nov 2026 18:43 UTC.
FROM  E:\vault\masters\QV-0107\QV-0107_A.wav
TO    D:\studio\masters\QV-0107\QV-0107_A.wav
If they were taken away on purpose: firmus findings signoff --incident 3 --files 2 --reason "…" (they are retired then)
Start the program that keeps the cloud in step again once this is put right.`},
		{"a reorganisation", several(about(moved), about(moved)), `
Was the folder moved or renamed on purpose? 2 files lie under its new name, and nothing of them is lost.
If not, move the folder back. If anything lies there by now, stop and look at that first:
FROM  E:\vault\masters\old
TO    E:\vault\masters\QV-0107
Then run: firmus audit vault`},
		{"several files of different sorts", several(about(finding(7, "vault", fixity.Missing, care.StepRecover, 0, side), readIn("studio")), about(finding(8, "vault", fixity.Missing, care.StepRecover, 0, "QV-0108/QV-0108_A.wav"), readIn("studio")), about(finding(9, "attic", fixity.Altered, care.StepOther, 0, "QV-0109/QV-0109_A.wav"))), `
For each of [7, 8], for instance [7]: The GOOD copy is on the studio: it was intact when last read, 28 Nov 2026 18:43 UTC. Have it copied to its place: firmus recover 7
FROM  D:\studio\masters\QV-0107\QV-0107_A.wav
TO    E:\vault\masters\QV-0107\QV-0107_A.wav
It reads the good file first, and the new one when it is there.
For [9]: Don't touch any copy of it. Look for another one: discs, the recorder's stick, whoever was given a copy. If the drive is failing, stop using it and ask somebody qualified. These are the copies that are there:
studio  D:\studio\masters\QV-0107\QV-0107_A.wav
For [9]: If you find another copy, look whether it is this recording: firmus recognise FOLDER. Only if that says that it is held as this file, keep the damaged copy outside the store, and put the good one in its place:
ITS PLACE  F:\attic\masters\QV-0109\QV-0109_A.wav
Then run: firmus audit attic`},
		{"a dispute is decided once", several(about(finding(7, "vault", fixity.Disputed, care.StepDecide, 0, side), readIn("attic")), about(finding(8, "attic", fixity.Disputed, care.StepDecide, 0, side))), `
Nothing says which version is right. Listen to each, look at who made them and when:
vault  E:\vault\masters\QV-0107\QV-0107_A.wav
attic  F:\attic\masters\QV-0107\QV-0107_A.wav
If the copy on the vault (1,000 bytes) is right: firmus findings signoff 7 --reason "…"
If the copy on the attic (1,000 bytes) is right: firmus findings signoff 8 --reason "…"
If the version that is under care is right: firmus findings signoff 7 --keep-current --reason "…"`},
		{"a copy that was copied the wrong way round", several(about(wrongWay)), `
Stop copying. Do nothing with any copy of this file until you have read to the end.
Don't touch any copy of it. Look for another one: discs, the recorder's stick, whoever was given a copy. If the drive is failing, stop using it and ask somebody qualified. These are the copies that are there:
vault  E:\vault\masters\QV-0107\QV-0107_A.wav`},
		{"no copy is left", about(finding(7, "vault", fixity.Missing, care.StepOther, 0, side)), `
Don't touch any copy of it. Look for another one: discs, the recorder's stick, whoever was given a copy. If the drive is failing, stop using it and ask somebody qualified.
If you find another copy, look whether it is this recording: firmus recognise FOLDER. If that says that it is held as this file, copy it to its place:
ITS PLACE  E:\vault\masters\QV-0107\QV-0107_A.wav
Then run: firmus audit vault`},
		{"a first reading that was outvoted", about(outvoted), `
Pause the program that keeps the cloud in step: it could carry the damage on.
Check cable, port and hub of the studio, and try another computer. Then run: firmus audit studio. No copy says which bytes are the recorded ones: compare the file with what it came from while you have that.
Name the folder in which what it came from lies: firmus recognise FOLDER. If that says held, the bytes are right: leave the file where it is. Only if it says earlier version, the first reading was right and the drive has lost them: then keep the file outside the store, and put what it came from in its place:
ITS PLACE  D:\studio\masters\QV-0107\QV-0107_A.wav
Then run: firmus audit studio, and decide what it asks.
Start the program that keeps the cloud in step again once this is put right.`},
		{"a disc", about(onDisc, readIn("vault")), `
Look at disc QD-0031 A (box 4): never spin one that is cracked or whose layers lift. Clean it straight from the centre to the edge. Then read it once more: firmus disc check QD-0031 A
If it says the same: burn it anew from the copy on the vault, which was intact when last read, 28 Nov 2026 18:43 UTC: firmus disc sheet QD-0031 A prints how to do it, and where each file is taken from. Keep the old disc until the new one was checked.
Read its twin next, if it has one, then discs of the same brand burned in the same month: firmus disc list`},
		{"a cloud that is away", report.Matter{Findings: []ledger.Finding{{Finding: fixity.Finding{ID: 7, Subject: fixity.OfStore, Kind: fixity.Away, Store: "cloud"}}}, Rules: rules}, `
Find out what is wrong: firmus check. It says whether it is the connection, the sign-in or the sharing of the folder, and what to do.
When it says that the store can be audited, run: firmus audit cloud`},
		{"in the cloud: missing", inCloud(fixity.Missing, care.StepRecover, "", fixity.InBin), `
Look in the service's bin: whoever owns the file can take it out of there for as long as the service keeps it.
If it isn't there: The GOOD copy is on the vault: it was intact when last read, 28 Nov 2026 18:43 UTC. Upload the good file to its folder again:
FROM  E:\vault\masters\QV-0107\QV-0107_A.wav
TO    sky (drive): masters/QV-0107/QV-0107_A.wav
Then run: firmus audit sky`},
		{"in the cloud: an upload that broke off", inCloud(fixity.Altered, care.StepRecover, fixity.CutShort, fixity.SameWrong, fixity.ServiceFewer), `
Look whether its upload still goes on, and if not why it broke off.
The GOOD copy is on the vault: it was intact when last read, 28 Nov 2026 18:43 UTC. Upload the good file again, as a new version of the same file:
FROM  E:\vault\masters\QV-0107\QV-0107_A.wav
TO    sky (drive): masters/QV-0107/QV-0107_A.wav
Then run: firmus audit sky`},
		{"in the cloud: exchanged", inCloud(fixity.Altered, care.StepRecover, fixity.Replaced, fixity.SameWrong, fixity.ServiceOther), `
Look at the service's list of the file's earlier versions: it says who put this one there, and when. Earlier ones are kept for some weeks only.
The GOOD copy is on the vault: it was intact when last read, 28 Nov 2026 18:43 UTC. The DAMAGED copy is on the sky. Download that one, and keep it outside the stores:
FROM  sky (drive): masters/QV-0107/QV-0107_A.wav
TO    D:\kept-aside\finding-7_QV-0107_A.wav
Go back to the earlier version there. Or: Upload the good file as a new version of the same file:
FROM  E:\vault\masters\QV-0107\QV-0107_A.wav
TO    sky (drive): masters/QV-0107/QV-0107_A.wav
Then run: firmus audit sky`},
		{"in the cloud: rot", inCloud(fixity.Altered, care.StepRecover, fixity.Flipped, fixity.SameWrong, fixity.ServiceRight), `
Nobody exchanged the copy on the service: it changed where the service keeps it, or on the way. Tell the service. The GOOD copy is on the vault: it was intact when last read, 28 Nov 2026 18:43 UTC. The DAMAGED copy is on the sky. Download that one, and keep it outside the stores:
FROM  sky (drive): masters/QV-0107/QV-0107_A.wav
TO    D:\kept-aside\finding-7_QV-0107_A.wav
Upload the good file as a new version of the same file:
FROM  E:\vault\masters\QV-0107\QV-0107_A.wav
TO    sky (drive): masters/QV-0107/QV-0107_A.wav
Then run: firmus audit sky`},
		{"in the cloud: in the wrong folder", inCloud(fixity.Misplaced, care.StepMoveBack, ""), `
In the service, move it back to its place:
FROM  sky (drive): masters/QV-0108/QV-0107_A.wav
TO    sky (drive): masters/QV-0107/QV-0107_A.wav
Then run: firmus audit sky`},
		{"in the cloud: no intact copy", about(anatomy(finding(7, "sky", fixity.Altered, care.StepOther, 0, side), fixity.Flipped)), `
Don't touch any copy of it. Look for another one: in the service's bin and its list of the file's earlier versions, on discs, the recorder's stick, with whoever was given a copy.`},
		{"in the cloud: unsteady", inCloud(fixity.Unsteady, care.StepReread, ""), `
Look at the connection to the sky, and try from another computer. Then run: firmus audit sky. Put nothing back before two readings agree.`},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if d := cmp.Diff(strings.TrimPrefix(tc.want, "\n"), text(tc.m)); d != "" {
				t.Error("-want +got:\n" + d)
			}
		})
	}
}

// What a person does is said as it is done in the service that keeps the store.
func TestStepsAreThoseOfTheService(t *testing.T) {
	for service, says := range map[string][]string{
		"s3":     {"delete that marker alone", "versions of the file shown", "under the same key", "the key or the bucket", "in the bucket, if that keeps them"},
		"webdav": {"bin, if it has one", "earlier versions in the service's own pages", "over the same file", "the password or the address", "if it keeps them"},
	} {
		all := ""
		for _, m := range []report.Matter{
			about(finding(7, "sky", fixity.Missing, care.StepRecover, 0, side), readIn("vault")),
			about(anatomy(finding(7, "sky", fixity.Altered, care.StepRecover, 0, side), fixity.Replaced), readIn("vault")),
			about(finding(7, "sky", fixity.Altered, care.StepOther, 0, side)),
			{Findings: []ledger.Finding{{Finding: fixity.Finding{ID: 7, Subject: fixity.OfStore, Kind: fixity.Away, Store: "sky"}}}, Rules: rules},
		} {
			m.Rules.Stores = slices.Clone(m.Rules.Stores)
			for i := range m.Rules.Stores {
				if m.Rules.Stores[i].Name == "sky" {
					m.Rules.Stores[i].Service = service
				}
			}
			all += text(m)
		}
		for _, want := range says {
			if !strings.Contains(all, want) {
				t.Errorf("%s: nothing says %q:\n%s", service, want, all)
			}
		}
	}
}

// Every kind of finding in every kind of store, with every kind of good copy: what is
// copied into a store is never the damaged file, was read, and its places are whole.
func TestAdviceNeverCopiesTheDamagedFileIntoAStore(t *testing.T) {
	bare := regexp.MustCompile(`(^|[^\\/"])QV-0107[/\\]`)
	seen := 0
	for _, term := range fixity.Vocabulary {
		if term.Group != "state" {
			continue
		}
		for _, store := range rules.Stores {
			for _, an := range []fixity.Anatomy{"", fixity.CutShort, fixity.Grown, fixity.Zeroed, fixity.Flipped, fixity.Replaced, fixity.DescriptionOnly} {
				for _, step := range []care.Step{care.StepNone, care.StepRecover, care.StepDecide, care.StepCopy, care.StepMoveBack, care.StepReread, care.StepOther, care.StepTakeOut, care.StepDrive, care.StepBurn} {
					if step == care.StepMoveBack && term.Code != string(fixity.Misplaced) {
						continue // nothing was found elsewhere
					}
					for name, intact := range map[string][]ledger.Copy{"none": nil, "read": {readIn("attic")}, "reported": {reportedIn("sky2")}, "both": {reportedIn("sky2"), readIn("attic")}} {
						m := about(anatomy(finding(7, store.Name, fixity.State(term.Code), step, 0, side), an), intact...)
						at := fmt.Sprintf("%s in %s, %s, %s, good: %s", term.Code, store.Name, step, an, name)
						damaged := where.Path(store.Name, "masters", side)
						good := where.Path("attic", "masters", side)
						for _, s := range m.Steps() {
							if bare.MatchString(s.Text.String()) || bare.MatchString(s.Then.String()) {
								t.Errorf("%s: a file without its whole path: %s", at, s)
							}
							places := map[string]string{}
							for _, l := range s.Lines {
								places[l.Label] = l.Path
							}
							into := places["TO"]
							if (into == "") != (places["FROM"] == "") {
								t.Errorf("%s: FROM and TO don't stand together: %s", at, s)
							}
							if into == "" || strings.HasPrefix(into, `D:\kept-aside\`) {
								continue
							}
							seen++
							if m.Findings[0].FoundAt != "" && step == care.StepMoveBack {
								continue // the file itself goes back
							}
							if places["FROM"] != good || into != damaged || places["OR FROM"] != "" {
								t.Errorf("%s: copied into a store: %s", at, s)
							}
							if name == "none" || name == "reported" {
								t.Errorf("%s: copied, and no good copy was read: %s", at, s)
							}
						}
					}
				}
			}
		}
	}
	if seen == 0 {
		t.Error("nothing was copied anywhere")
	}
}

// A save that cut a file short must not be carried over the longer file that is left.
func TestAdviceNeverCopiesOverALongerFile(t *testing.T) {
	for _, tc := range []struct {
		name     string
		old, now time.Duration
		sizes    [2]int64
		warned   bool
	}{
		{"cut short", 30 * time.Minute, 20 * time.Minute, [2]int64{3000, 2000}, true},
		{"trimmed by a little", 30 * time.Minute, 29*time.Minute + 30*time.Second, [2]int64{3000, 2950}, false},
		{"short, and trimmed by half a minute", 2 * time.Minute, 90 * time.Second, [2]int64{200, 150}, false},
		{"of which only sizes are known", 0, 0, [2]int64{3000, 2000}, true},
		{"cut to nothing", 30 * time.Minute, 0, [2]int64{3000, 0}, true},
	} {
		for _, store := range []string{"vault", "sky"} {
			m := about(finding(7, store, fixity.Behind, care.StepCopy, 0, side), readIn("studio"))
			k := m.Files[107]
			k.File.Version, k.Copies[0].Held, k.Copies[0].Size = 2, 1, tc.sizes[0]
			k.Versions = []report.Length{{N: 1, Size: tc.sizes[0], Duration: tc.old}, {N: 2, Size: tc.sizes[1], Duration: tc.now}}
			m.Files[107] = k
			got := text(m)
			if copies := strings.Contains(got, "FROM  D:"); copies == tc.warned || strings.Contains(got, "Listen to both") != tc.warned {
				t.Errorf("%s, in the %s:\n%s", tc.name, store, got)
			}
		}
	}
	// A version that isn't a whole recording goes over nothing else.
	for _, state := range []fixity.State{fixity.Behind, fixity.Altered} {
		step := map[fixity.State]care.Step{fixity.Behind: care.StepCopy, fixity.Altered: care.StepRecover}[state]
		for _, store := range []string{"vault", "sky"} {
			m := about(finding(7, store, state, step, 0, side), readIn("studio"))
			k := m.Files[107]
			k.Unfinished = true
			m.Files[107] = k
			if first := m.Steps()[0].Text.String(); !strings.Contains(first, "isn't a whole recording") || !strings.Contains(first, "Listen to both") {
				t.Errorf("%s in the %s, the first step: %s", state, store, first)
			}
		}
	}
	// The whole recording that a person put in its place is never called damaged before they
	// were told how to keep it.
	for _, store := range []string{"studio", "vault", "sky"} {
		m := about(finding(7, store, fixity.Altered, care.StepRecover, 0, side), readIn("attic"))
		k := m.Files[107]
		k.Unfinished = true
		m.Files[107] = k
		got := text(m)
		keep, move := strings.Index(got, "--new-transfer"), strings.Index(got, "Only if the other one is damaged")
		if keep < 0 || move < keep || strings.Contains(got, "GOOD") || strings.Contains(got, "The DAMAGED copy") {
			t.Errorf("in the %s:\n%s", store, got)
		}
	}
	// Nor after the other one was moved aside, as they were told to do.
	for _, store := range []string{"studio", "vault", "sky"} {
		m := about(finding(7, store, fixity.Altered, care.StepOther, 0, side))
		k := m.Files[107]
		k.Unfinished = true
		m.Files[107] = k
		if got := text(m); !strings.Contains(got, "may be the whole one. Listen to it") || !strings.Contains(got, "--new-transfer") || strings.Contains(got, "Don't touch") {
			t.Errorf("in the %s:\n%s", store, got)
		}
	}
	// And of one that holds bytes of no known version, it comes first.
	m := about(finding(7, "vault", fixity.Altered, care.StepRecover, 0, side), readIn("studio"))
	k := m.Files[107]
	k.Copies[0].Size, k.Versions = 3000, []report.Length{{N: 1, Size: 1000}}
	m.Files[107] = k
	if first := m.Steps()[0].Text.String(); !strings.Contains(first, "Listen to both before anything is moved") {
		t.Errorf("the first step: %s", first)
	}
}

func TestWrongWayIsToldWithWhatIsLeft(t *testing.T) {
	f := finding(7, "vault", fixity.Altered, care.StepRecover, 0, side)
	f.Facts = fixity.Facts{WrongWay: "studio", IntactAt: readAt}
	const first = "The copy on the vault was intact on 28 Nov 2026 18:43 UTC. It now holds the same damaged bytes as the copy on the studio: it may have been copied the wrong way round. "
	for _, tc := range []struct {
		name, want string
		intact     []ledger.Copy
	}{
		{"one was read", "Still intact: the copy on the attic, last read 28 Nov 2026 18:43 UTC.", []ledger.Copy{readIn("attic")}},
		{"one is only reported", "Still intact: the copy on the sky, as reported by the service and read by nobody.", []ledger.Copy{reportedIn("sky")}},
		{"none", "No copy is known to be intact any more.", nil},
	} {
		m := about(f, tc.intact...)
		if got := m.WrongWay(m.Findings[0]); got != first+tc.want {
			t.Errorf("%s: %s", tc.name, got)
		}
	}
}

// Whoever is to move something out of a drive that visits is told to connect it.
func TestWhatVisitsIsConnectedFirst(t *testing.T) {
	f := finding(3, "vault", fixity.State(fixity.Unexpected), care.StepTakeOut, 0, side)
	f.Subject = fixity.OfStray
	m := report.Matter{Findings: []ledger.Finding{f}, Rules: rules, Where: where}
	if got := text(m); strings.Contains(got, "Connect") {
		t.Errorf("of a drive that is always there:\n%s", got)
	}
	m.Rules.Stores = slices.Clone(m.Rules.Stores)
	for i := range m.Rules.Stores {
		m.Rules.Stores[i].Visiting = m.Rules.Stores[i].Name == "vault"
	}
	if got := text(m); !strings.HasPrefix(got, "Connect the vault first") {
		t.Errorf("of a drive that visits:\n%s", got)
	}
}
