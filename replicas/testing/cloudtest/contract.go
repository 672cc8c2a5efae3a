package cloudtest

import (
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"testing"

	"firmus/fixity"
	"firmus/fixity/digest"
	"firmus/replicas/cloud"
)

// Target is a service and a folder of it that the contract is held against. The
// folder holds at least one file somewhere below it. Nothing is changed.
type Target struct {
	Service cloud.Service
	Folder  string
	Most    int64 // files of more bytes are not read
	// Bare services say neither when a file was made nor, of each, a digest.
	Bare bool
	// AnyToken services take any text for a page token: where it sorts, there they go on.
	AnyToken bool
}

// classOf is the class of an error that a service gave, 0 if it has none.
func classOf(err error) cloud.Class {
	var e *cloud.Error
	if errors.As(err, &e) {
		return e.Class
	}
	return 0
}

// Run holds a service against what package cloud relies on. It reads only.
func Run(t *testing.T, x Target) {
	ctx := context.Background()
	root, err := x.Service.Get(ctx, x.Folder)
	if err != nil {
		t.Fatal(err)
	}
	items := x.tree(t, root)
	var blobs []cloud.Item
	for _, it := range items {
		if it.Kind == cloud.Blob && !it.InBin {
			blobs = append(blobs, it)
		}
	}
	if len(blobs) == 0 {
		t.Fatal("no file lies below the folder")
	}
	t.Run("the folder is one", func(t *testing.T) {
		if root.Kind != cloud.Dir || root.ID != x.Folder || root.Closed || root.InBin || root.Name == "" {
			t.Errorf("%+v", root)
		}
	})
	t.Run("each thing lies in a folder that was asked for", func(t *testing.T) {
		for _, it := range items {
			if p, ok := items[it.Parent]; it.Parent != root.ID && (!ok || p.Kind != cloud.Dir) {
				t.Errorf("%+v", it)
			}
			if it.Drive != root.Drive {
				t.Errorf("%q lies in drive %q, its folder in %q", it.Name, it.Drive, root.Drive)
			}
			if !x.Bare && (it.Owner == "") != (root.Drive != "") {
				t.Errorf("%q belongs to %q in drive %q", it.Name, it.Owner, root.Drive)
			}
		}
	})
	t.Run("asked for by itself, a thing is as it was listed", func(t *testing.T) {
		for _, it := range some(blobs) {
			if got, err := x.Service.Get(ctx, it.ID); err != nil || got != it {
				t.Errorf("%+v\n%+v\n%v", got, it, err)
			}
		}
	})
	t.Run("each file has a version, and a digest of its bytes", func(t *testing.T) { x.bytes(t, blobs) })
	t.Run("what isn't there is not visible", func(t *testing.T) {
		for _, id := range []string{"1AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA", "with/slash", "with'quote"} {
			if _, err := x.Service.Get(ctx, id); classOf(err) != cloud.NotVisible {
				t.Errorf("%q: %v", id, err)
			}
		}
	})
	t.Run("a page token that isn't one is refused", func(t *testing.T) {
		if x.AnyToken {
			t.Skip("this service takes any text for one")
		}
		_, err := x.Service.Page(ctx, cloud.Query{Drive: root.Drive, Parents: []string{root.ID}}, "not a token")
		if classOf(err) != cloud.Refused {
			t.Error(err)
		}
	})
	t.Run("a shared drive lists as one", func(t *testing.T) { x.sweep(t, root, items) })
	t.Run("the log goes on", func(t *testing.T) { x.log(t, root) })
	t.Run("a call that is cancelled ends so", func(t *testing.T) {
		ctx, cancel := context.WithCancel(ctx)
		cancel()
		if _, err := x.Service.Get(ctx, root.ID); !errors.Is(err, context.Canceled) || errors.Is(err, fixity.ErrAway) {
			t.Error(err)
		}
	})
}

// tree is all that lies below root, by id, and root.
func (x Target) tree(t *testing.T, root cloud.Item) map[string]cloud.Item {
	t.Helper()
	all := map[string]cloud.Item{}
	ask := []string{root.ID}
	for len(ask) > 0 && len(all) < 5000 {
		part := ask[:min(len(ask), 40)]
		ask = ask[len(part):]
		for _, it := range x.all(t, cloud.Query{Drive: root.Drive, Parents: part}) {
			if _, twice := all[it.ID]; !twice && it.Kind == cloud.Dir && !it.InBin {
				ask = append(ask, it.ID)
			}
			all[it.ID] = it
		}
	}
	return all
}

// all is all pages of a query.
func (x Target) all(t *testing.T, q cloud.Query) []cloud.Item {
	t.Helper()
	var all []cloud.Item
	for token, pages := "", 0; ; pages++ {
		p, err := x.Service.Page(context.Background(), q, token)
		if err == nil && p.Rest != nil {
			err = p.Rest(context.Background(), Once)
		}
		if err != nil {
			t.Fatal(err)
		}
		if p.Partial || pages > 1000 {
			t.Fatalf("page %d: partial %v", pages, p.Partial)
		}
		all = append(all, p.Items...)
		if token = p.Next; token == "" {
			return all
		}
	}
}

// Once is a cloud.Try that makes a call once.
func Once(ctx context.Context, call func(context.Context) error) error { return call(ctx) }

// some are a few of many.
func some(all []cloud.Item) []cloud.Item {
	all = append([]cloud.Item(nil), all...)
	rand.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	return all[:min(len(all), 5)]
}

func (x Target) bytes(t *testing.T, blobs []cloud.Item) {
	ctx := context.Background()
	read := 0
	for _, it := range blobs {
		if it.Version == "" || it.ModTime.IsZero() || !x.Bare && (it.Sum.IsZero() || it.Created.IsZero()) {
			t.Errorf("%+v", it)
		}
		if it.Size == 0 || it.Size > x.Most || it.NoBytes || read == 5 {
			continue
		}
		read++
		r, err := x.Service.Open(ctx, it, 0)
		if err != nil {
			t.Fatal(err)
		}
		alg := it.Sum.Algorithm
		if it.Sum.IsZero() {
			alg = fixity.SHA256
		}
		sums, err := digest.Options{Algorithms: []fixity.Algorithm{alg}}.Read(ctx, r)
		r.Close()
		if got, _ := sums.Get(it.Sum.Algorithm); err != nil || got != it.Sum || sums.Size != it.Size {
			t.Errorf("%q: read %d bytes, %v, %v; said %d and %v", it.Name, sums.Size, got, err, it.Size, it.Sum)
		}
		r, err = x.Service.Open(ctx, it, it.Size-1)
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(r)
		r.Close()
		if len(b) != 1 || err != nil {
			t.Errorf("%q: %d bytes from the last, %v", it.Name, len(b), err)
		}
		it.Size++
		if r, err := x.Service.Open(ctx, it, 0); err == nil || !errors.Is(err, cloud.ErrOtherSize) {
			if err == nil {
				r.Close()
			}
			t.Errorf("%q: opened with a size that it hasn't: %v", it.Name, err)
		}
	}
	if read == 0 {
		t.Errorf("no file of at most %d bytes is there to be read", x.Most)
	}
}

func (x Target) sweep(t *testing.T, root cloud.Item, items map[string]cloud.Item) {
	if root.Drive == "" {
		t.Skip("the folder lies in no shared drive")
	}
	got := map[string]cloud.Item{}
	for _, it := range x.all(t, cloud.Query{Drive: root.Drive}) {
		got[it.ID] = it
	}
	for id, it := range items {
		if got[id] != it {
			t.Errorf("%+v\n%+v", got[id], it)
		}
	}
}

func (x Target) log(t *testing.T, root cloud.Item) {
	log, ok := x.Service.(cloud.ChangeLog)
	if !ok {
		t.Skip("the service keeps no log")
	}
	token, err := log.Now(context.Background(), root.Drive)
	if err != nil || token == "" {
		t.Fatal(token, err)
	}
	p, err := log.Changes(context.Background(), root.Drive, token)
	if err != nil || p.Next == "" && p.Newest == "" {
		t.Errorf("%+v, %v", p, err)
	}
}
