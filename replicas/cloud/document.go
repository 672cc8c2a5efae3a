package cloud

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"

	"firmus/fixity"
)

// Exporter is a Service that writes documents of its own, which have no bytes, as files of
// a usual kind.
type Exporter interface {
	// Export gives a Native document as a file of a media type.
	Export(ctx context.Context, id, mediaType string) (io.ReadCloser, error)
}

// XLSX is the media type of a workbook.
const XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

// ErrChanged: a document was changed while it was read.
var ErrChanged = errors.New("it was changed while it was read")

// ErrTooLong: a document is longer than its reader takes.
var ErrTooLong = errors.New("it is longer than a document of its kind")

// Document gives the bytes of one file, by its id, wherever it lies: a file as it is, and a
// Native document exported as a media type. Only for documents, which fit into memory; most
// bounds them. Nothing of a document is given that was changed meanwhile.
func (s *Store) Document(ctx context.Context, id, mediaType string, most int64) (name string, text []byte, err error) {
	fail := func(err error) (string, []byte, error) {
		return name, nil, fmt.Errorf("read the document %s: %w", id, err)
	}
	var before, after Item
	get := func(to *Item) error {
		return s.try(ctx, func(ctx context.Context) (err error) { *to, err = s.service.Get(ctx, id); return err })
	}
	if err := get(&before); err != nil {
		return fail(err)
	}
	name = before.Name
	exporter, can := s.service.(Exporter)
	switch {
	case before.InBin:
		return fail(fmt.Errorf("%q lies in the bin: %w", name, fixity.ErrVanished))
	case before.Kind == Native && !can, before.Kind == Dir, before.Kind == Shortcut:
		return fail(fmt.Errorf("%q is no document: %w", name, fixity.ErrRefused))
	case before.NoBytes:
		return fail(fmt.Errorf("%q may not be downloaded: its owner forbids it: %w", name, fixity.ErrDenied))
	case before.Size > most:
		return fail(ErrTooLong)
	}
	err = s.try(ctx, func(ctx context.Context) error {
		open := func() (io.ReadCloser, error) { return s.service.Open(ctx, before, 0) }
		if before.Kind == Native {
			open = func() (io.ReadCloser, error) { return exporter.Export(ctx, id, mediaType) }
		} else if before.Size == 0 {
			open = func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(nil)), nil }
		}
		body, err := open()
		if err != nil {
			return err
		}
		defer body.Close()
		text, err = io.ReadAll(io.LimitReader(body, most+1))
		switch {
		case err != nil && ctx.Err() == nil:
			return &Error{Class: Later, Text: "the document broke off", Partly: true, Err: err}
		case err != nil:
			return err
		case int64(len(text)) > most:
			return ErrTooLong
		case before.Kind == Blob && int64(len(text)) != before.Size:
			return &Error{Class: Later, Text: "the document broke off", Partly: true}
		}
		return nil
	})
	if err != nil {
		return fail(err)
	}
	if err := get(&after); err != nil {
		return fail(err)
	}
	if after.Version != before.Version || !after.ModTime.Equal(before.ModTime) || after.Sum != before.Sum {
		return fail(ErrChanged)
	}
	if sum := sha256.Sum256(text); before.Sum.Algorithm == fixity.SHA256 && before.Sum.Sum != hex.EncodeToString(sum[:]) {
		return fail(fmt.Errorf("%w: its bytes aren't those that the service recorded", fixity.ErrChangedMeanwhile))
	}
	return name, text, nil
}
