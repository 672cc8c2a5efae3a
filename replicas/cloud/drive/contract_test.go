package drive_test

import (
	"context"
	"os"
	"testing"
	"time"

	"firmus/replicas/cloud/drive"
	"firmus/replicas/testing/cloudtest"
)

// fill puts something of every sort into an archive.
func fill(a *cloudtest.Archive) {
	a.Put(a.Masters, "QV-0107/side 1.wav", []byte("the first side"))
	a.Put(a.Masters, "QV-0107/side 2.wav", []byte("the second side"))
	x := a.Put(a.Access, "QV-0107/it's \\ here.flac", []byte("cleaned"))
	a.Put(a.Access, "QV-0108/empty.flac", nil)
	a.Bin(a.Put(a.Access, "QV-0108/binned.flac", []byte("gone")), true)
	a.AddShortcut(a.Access, "a way to it", x)
	a.AddDocument(a.Access, "the register")
}

func TestContractSharedDrive(t *testing.T) {
	a := cloudtest.NewArchive(t, true, nil)
	fill(a)
	cloudtest.Run(t, cloudtest.Target{Service: cloudtest.Drive(t, a.Server), Folder: a.Folder, Most: 1 << 20})
}

func TestContractOwnDrive(t *testing.T) {
	a := cloudtest.NewArchive(t, false, nil)
	fill(a)
	cloudtest.Run(t, cloudtest.Target{Service: cloudtest.Drive(t, a.Server), Folder: a.Folder, Most: 1 << 20})
}

// The environment variables with which a person who has an account runs the
// contract against the service itself. It only reads: at most five files of at most
// a mebibyte.
const (
	liveCredential = "FIRMUS_DRIVE_CREDENTIAL" // path of a key or a sign-in
	liveFolder     = "FIRMUS_DRIVE_FOLDER"     // id of a folder with some files below it
)

func TestContractLive(t *testing.T) {
	cred, folder := os.Getenv(liveCredential), os.Getenv(liveFolder)
	if cred == "" || folder == "" {
		t.Skipf("the service itself is asked only where %s and %s say how", liveCredential, liveFolder)
	}
	d, err := drive.Open(context.Background(), drive.Options{Credential: cred, Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range d.Check(context.Background()) {
		t.Logf("check: %+v", p)
	}
	cloudtest.Run(t, cloudtest.Target{Service: d, Folder: folder, Most: 1 << 20})
}
