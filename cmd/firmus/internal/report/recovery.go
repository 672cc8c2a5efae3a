package report

import (
	"fmt"

	"firmus/fixity"
	"firmus/fixity/repair"
)

// NotRecovered says why the copy that a finding is about isn't put right by the program,
// and what to do, in the words of a surface; why is "" for a finding about something else
// than a copy.
func NotRecovered(why repair.Refusal, f fixity.Finding, say Say) string {
	show := ""
	if f.ID != 0 {
		show = " What to do, step by step: " + Order{Act: ShowFinding, Findings: []int64{f.ID}}.In(say)
	}
	switch why {
	case repair.NotWrong:
		return "the copy is as it should be."
	case repair.NoVersion, repair.Disputed:
		return "the stores disagree, and no one knows yet which side is right. Decide that first." + show
	case repair.Unsteady:
		return "two readings gave different bytes: look at cable, port and memory first, because what is written may come out as wrong as what is read. Then audit again." + show
	case repair.MovedThere:
		if f.FoundAt == "" {
			return "its bytes are right, and only its place or name isn't. The cloud is only read: in the service, give it its place and name back." + show
		}
		return fmt.Sprintf("nothing of it is lost: it lies in the service as %s/%s. The cloud is only read: in the service, move it back to %s/%s, then %s.", f.Set, Show(f.FoundAt), f.Set, Show(f.Path), Order{Act: ReadStore, Stores: []string{f.Store}}.In(say)) + show
	case repair.ReadOnly:
		if f.ID == 0 {
			return "the cloud is only read: what is right must be uploaded by a person."
		}
		return "the cloud is only read. To have the intact file laid in a new folder for you to upload: " + Order{Act: LayOut, Findings: []int64{f.ID}}.In(say) + "." + show
	case repair.OnDisc:
		return "what is on a disc stays there. Try it in a second drive, and burn it anew from an intact copy." + show
	case repair.FailingDrive:
		return "the drive gives up its files one by one, so nothing is written there. Copy what it alone holds to another drive, and replace it." + show
	case repair.SecondName:
		return "it is another store's file under a second name: put that one right."
	case repair.NoDonor:
		return "no other copy is known to be whole. Look for one that the program doesn't know." + show
	case repair.UnknownDonor:
		return "the store that you named holds no other copy of it."
	case repair.DonorNotWhole:
		return "the copy that you named isn't known to be whole." + show
	case repair.DonorFollows:
		return "the bytes could only come from a store that is kept in step with the damaged one, and what lies there may change at any moment. Pause the program that does that, and copy the file by hand." + show
	case repair.NotOnDisc:
		return "the disc that you named doesn't hold this version of it. Which discs do: " + Order{Act: ShowItem}.In(say) + ", with its number"
	case repair.OpenIncident:
		look := "so much is wrong where the bytes would come from that a person must look at that first. See: " + Order{Act: ShowFindings}.In(say)
		if f.ID == 0 {
			return look
		}
		return look + ". When you know what happened there, name that store: " + Order{Act: Recover, Findings: []int64{f.ID}, From: "STORE"}.In(say)
	}
	return "this finding isn't about a file's copy that could be put back." + show
}
