package main

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/register/preview"
	"firmus/cmd/firmus/internal/register/workbook"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
)

func (c *command) registerCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "register", Short: "The archive's own log, a spreadsheet", Long: `The register is the archive's own log: a spreadsheet that says what each reel holds.
Firmus compares it with the files under care and never writes to it.`, Args: cobra.NoArgs,
		Annotations: onlyHelp, RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() }}
	cmd.AddCommand(c.registerTryCommand(), c.registerReadCommand())
	return cmd
}

func (c *command) registerTryCommand() *cobra.Command {
	var sheet, encoding, password string
	cmd := &cobra.Command{
		Use:   "try [FILE]",
		Short: "Show what would be read of a spreadsheet, and keep nothing",
		Long: `Reads a spreadsheet (XLSX, ODS or CSV) as the register and shows which sheet and columns
it would read, which rows would match files under care, and what would not match and
why. Nothing is kept. At the end stand the lines that the configuration needs.

Without [register] columns in the configuration, Firmus guesses the columns from the
line that names them. Look the guess over: only you know what a column means.

Without FILE it tries the register that the configuration names.`,
		Example: `  firmus register try register.xlsx
  firmus register try register.xlsx --sheet Reels
  firmus register try register.csv --encoding windows-1252`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			path := ""
			if len(args) == 1 {
				path = args[0]
			}
			p, err := c.tryRegister(cmd.Context(), path, sheet, encoding, password)
			if u := preview.Why(err); u != nil && c.json {
				c.exit = statusOf(err)
				c.document(map[string]any{"error": u.Error(), "exit": c.exit, "rows": 0, "matched": 0, "why": u.Why, "problems": []problemJSON{
					{Problem: register.Problem{Sheet: u.Sheet, Row: u.Row, Column: u.Column, Kind: "file"}, Text: u.Text}}})
				return nil
			}
			if err != nil {
				return err
			}
			if !c.json {
				return p.Text(c.out)
			}
			c.document(registerJSONOf(p))
			return nil
		},
	}
	f := cmd.Flags()
	f.StringVar(&sheet, "sheet", "", "the `NAME` of the sheet")
	f.StringVar(&encoding, "encoding", "", "what a CSV file was saved in, such as windows-1252")
	f.StringVar(&password, "password-file", "", "a `FILE` that holds the workbook's password")
	return cmd
}

// registerJSON is a preview as JSON.
type registerJSON struct {
	File       string            `json:"file"`
	Sheet      string            `json:"sheet"`
	Header     int               `json:"header"`
	Rows       int               `json:"rows"`
	Matched    int               `json:"matched"`
	ToTransfer int               `json:"to_transfer"`
	Compared   bool              `json:"compared"`
	Hidden     int               `json:"hidden"`
	Comments   int               `json:"comments"`
	Guessed    bool              `json:"guessed"`
	Columns    map[string]string `json:"columns"`
	NotRead    []string          `json:"not_read"`
	Notes      []string          `json:"notes"`
	Problems   []problemJSON     `json:"problems"`
	Proposed   string            `json:"proposed"`
}

func registerJSONOf(p preview.Preview) registerJSON {
	j := registerJSON{File: p.Name, Sheet: p.Table.Sheet, Header: p.Table.Header, Rows: p.Held.Rows, Matched: p.Held.Matched, ToTransfer: p.Held.ToTransfer, Compared: p.Compared,
		Hidden: p.Table.Hidden, Comments: p.Table.Comments, Guessed: p.Proposed, Columns: map[string]string{}, NotRead: append([]string{}, p.NotRead()...),
		Notes: append([]string{}, p.Table.Notes...), Problems: problemsJSON(p.Problems), Proposed: p.Block}
	for _, x := range p.Columns() {
		j.Columns[x[0]] = x[1]
	}
	return j
}

// problemJSON is a problem of the register with its sentence.
type problemJSON struct {
	register.Problem
	Text string `json:"text"`
}

func problemsJSON(ps []register.Problem) []problemJSON {
	out := make([]problemJSON, len(ps))
	for i, p := range ps {
		out[i] = problemJSON{p, report.RegisterRow(p.Tells)}
	}
	return out
}

// tryRegister reads a spreadsheet as the register. It needs no configuration and no ledger:
// without them it shows what it reads.
func (c *command) tryRegister(ctx context.Context, path, sheet, encoding, password string) (preview.Preview, error) {
	cfg, err := c.load()
	if errors.Is(err, fs.ErrNotExist) && c.configFile == "" && os.Getenv("FIRMUS_CONFIG") == "" {
		cfg, err = &config.Config{}, nil
	}
	if err != nil {
		return preview.Preview{}, err
	}
	g := cfg.Register
	o := preview.Order{Path: path, Read: app.RegisterOrder(g), Settings: app.RegisterSettings(g)}
	if path == "" {
		if g == nil {
			return preview.Preview{}, usageError{errors.New("no register is configured, so name the spreadsheet: firmus register try FILE")}
		}
		o.Path, o.Name = g.File, g.From()
	}
	if g != nil {
		tried, err := filepath.Abs(o.Path)
		o.Configured = (path == "" || err == nil && tried == g.File) && sheet == "" && encoding == "" && password == ""
	}
	_, inCloud := config.DocumentID(o.Path)
	if o.Load = func(ctx context.Context) (workbook.File, error) { return app.RegisterFile(ctx, cfg, o.Path) }; o.Path != "" && cfg.File != "" && !inCloud {
		o.Name = from(filepath.Dir(cfg.File), o.Path)
	}
	if o.Options, err = app.RegisterOptions(ctx, g); err != nil && password == "" {
		return preview.Preview{}, err
	}
	if g != nil && g.PasswordFile != "" {
		o.Password = from(filepath.Dir(cfg.File), g.PasswordFile)
	}
	if sheet != "" {
		o.Read.Sheet = sheet
	}
	if encoding != "" {
		o.Options.Encoding = encoding
	}
	if password != "" {
		if o.Options.Password, err = app.RegisterPassword(ctx, password); err != nil {
			return preview.Preview{}, err
		}
		if o.Password = password; cfg.File != "" {
			o.Password = from(filepath.Dir(cfg.File), password)
		}
	}
	if cfg.File != "" {
		known, err := c.known(ctx)
		if err != nil {
			return preview.Preview{}, err
		}
		o.Known = known
	}
	return preview.Make(ctx, o)
}

// known is what a register is held against; nil while there is no ledger.
func (c *command) known(ctx context.Context) (*register.Known, error) {
	a, err := c.open(ctx, true)
	if errors.Is(err, fixity.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer a.Close()
	k, err := a.RegisterKnown(ctx)
	return &k, err
}

// from is a path as a configuration in a folder names it: relative if it lies there.
func from(dir, path string) string {
	abs, err := filepath.Abs(path)
	if err != nil {
		return path
	}
	if rel, err := filepath.Rel(dir, abs); err == nil && filepath.IsLocal(rel) {
		return filepath.ToSlash(rel)
	}
	return abs
}
