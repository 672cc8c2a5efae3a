package app

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts/reading"
	"firmus/cmd/firmus/internal/clouds"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/register/preview"
	"firmus/cmd/firmus/internal/register/workbook"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/cloud"
)

// RegisterTable reads the register that the configuration names. The error is an
// *register.Unreadable, or the context's: what was read before stays in force then.
func RegisterTable(ctx context.Context, c *config.Config) (register.Table, fixity.Digest, error) {
	g := c.Register
	if g == nil {
		return register.Table{}, fixity.Digest{}, &register.Unreadable{Why: register.NotSet, Text: `no register is configured. "firmus register try FILE" proposes what to write into the configuration`}
	}
	file, err := RegisterFile(ctx, c, g.File)
	if err != nil {
		return register.Table{}, fixity.Digest{}, err
	}
	o, err := RegisterOptions(ctx, g)
	if err != nil {
		return register.Table{}, fixity.Digest{}, err
	}
	book, err := workbook.Open(ctx, file, o)
	if err != nil {
		return register.Table{}, fixity.Digest{}, err
	}
	t, err := register.Read(ctx, file.Name, book, RegisterOrder(g))
	return t, fixity.Digest{Algorithm: fixity.SHA256, Sum: hex.EncodeToString(file.SHA256[:])}, err
}

// RegisterFile reads a spreadsheet's bytes: a file of this computer, a document in the cloud
// by its address in a browser, or with "" the document that the configuration names.
func RegisterFile(ctx context.Context, c *config.Config, from string) (workbook.File, error) {
	id, inCloud := config.DocumentID(from)
	if from != "" && !inCloud {
		return workbook.Load(ctx, from)
	}
	fail := func(why register.Why, err error, text string) (workbook.File, error) {
		return workbook.File{}, &register.Unreadable{Why: why, File: from, Text: text, Err: err}
	}
	account := ""
	if g := c.Register; g != nil {
		if account = g.Store; from == "" {
			id, from = g.Document, g.From()
		}
	}
	at := slices.IndexFunc(c.Stores, func(s config.Store) bool {
		return s.Service == config.Drive && (account == "" || s.Name == account)
	})
	if id == "" || at < 0 {
		return fail(register.NotSet, nil, "a document in the cloud is read by the account of a cloud store, and the configuration has none. Download it as XLSX, and name the file")
	}
	store, err := (&clouds.Stores{Now: time.Now}).Store(c.Stores[at])
	if err != nil {
		return fail(register.Away, err, err.Error())
	}
	name, text, err := store.Document(ctx, id, cloud.XLSX, workbook.MostFile)
	switch {
	case err != nil && ctx.Err() != nil:
		return workbook.File{}, context.Cause(ctx)
	case errors.Is(err, cloud.ErrChanged):
		return fail(register.Changing, err, "the document was changed while it was read. Try again once nobody works in it")
	case errors.Is(err, cloud.ErrTooLong):
		return fail(register.TooLarge, err, "the document is longer than any register")
	case errors.Is(err, fixity.ErrRefused):
		return fail(register.NoSheets, err, "this is a folder or a shortcut. Name the spreadsheet itself")
	case err != nil:
		return fail(register.Away, err, fmt.Sprintf("%v. Share the document with the account of the store %q", err, c.Stores[at].Name))
	}
	return workbook.File{Name: name, Bytes: text, SHA256: sha256.Sum256(text)}, nil
}

// RegisterOptions are what the configuration says of the file. The password lies in a file
// of its own.
func RegisterOptions(ctx context.Context, g *config.Register) (o workbook.Options, err error) {
	if g == nil {
		return o, nil
	}
	if o.Encoding = g.Encoding; g.PasswordFile != "" {
		o.Password, err = RegisterPassword(ctx, g.PasswordFile)
	}
	return o, err
}

// RegisterPassword reads the file of a workbook's password.
func RegisterPassword(ctx context.Context, path string) (string, error) {
	const most = 4096
	text, err := workbook.Small(ctx, path, most)
	if err != nil {
		return "", &register.Unreadable{Why: register.Locked, File: path, Text: fmt.Sprintf("the file of its password can't be read: %v", err), Err: err}
	}
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
	return strings.TrimRight(string(text), "\r\n"), nil
}

// RegisterOrder is how the configuration says that the register is to be read.
func RegisterOrder(g *config.Register) register.Order {
	o := register.Order{Columns: register.Columns{}}
	if g == nil {
		return o
	}
	o.Sheet = g.Sheet
	for _, w := range g.Columns {
		o.Columns[preview.FieldOf(w.Word)] = w.Means
	}
	return o
}

// RegisterSettings is how it is held against what is known.
func RegisterSettings(g *config.Register) register.Settings {
	s := register.Settings{Bases: map[string]string{}, Playable: map[string]register.Playability{}, Restricted: map[string]bool{}}
	if g == nil {
		return s
	}
	for _, w := range g.Bases {
		s.Bases[register.Word(w.Word)] = w.Means
	}
	for _, w := range g.Playable {
		s.Playable[register.Word(w.Word)] = register.Playability(w.Means)
	}
	for _, w := range g.Restricted { // of one word in two spellings the stricter one holds
		k := register.Word(w.Word)
		s.Restricted[k] = s.Restricted[k] || w.Means == "yes"
	}
	for _, r := range g.Off {
		s.Off = append(s.Off, register.Rule(r))
	}
	s.DiscsASide, s.CheckDigits = g.DiscsASide, g.CheckDigits
	return s
}

// RegisterKnown is what the ledger knows, as far as the register is about it.
func (a *App) RegisterKnown(ctx context.Context) (k register.Known, err error) {
	err = a.Ledger.View(ctx, func(t *ledger.Tx) error {
		k, err = reading.Known(t, a.Acts.Rules, RegisterSource(a.Config).Sets)
		return err
	})
	return k, err
}
