package main

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/clouds"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/pages/site"
)

// setup says how a configuration is made where "firmus serve" finds none; nil where one was
// named: a name that leads to nothing is mistyped. Who starts the program in a folder gets
// it there, as by "firmus init"; a double click is in no folder of theirs.
func (c *command) setup(own bool) *app.Setup {
	if c.configFile != "" || os.Getenv("FIRMUS_CONFIG") != "" {
		return nil
	}
	path, err := filepath.Abs("firmus.toml")
	if place := config.OwnPlace(os.Getenv); place != "" && (own || err != nil) {
		path = place
	}
	return &app.Setup{Path: path,
		Check: func(ctx context.Context, cfg *config.Config) ([]site.Checked, error) {
			lines, err := c.checks(ctx, cfg, false, false)
			return checked(lines), err
		},
		Cloud: func(ctx context.Context, cfg *config.Config) ([]site.Checked, error) {
			tried, err := clouds.Check(ctx, cfg, time.Now)
			var lines []checkLine
			for _, p := range tried {
				lines = append(lines, lineOf("store "+p.Store, p.Text, !p.Grave, notReached, p.Away))
			}
			return checked(lines), err
		},
		Mail: func(ctx context.Context, cfg *config.Config) ([]site.Checked, error) {
			lines, err := c.checkMail(ctx, cfg, nil, true)
			return checked(lines), err
		},
	}
}

// tells has the pages of an archive say what would not work tonight.
func (c *command) tells(a *app.App) {
	a.Checks = func(ctx context.Context, letter bool) ([]site.Checked, error) {
		lines, err := c.checksOf(ctx, a.Config, a, nil, false, letter)
		return checked(lines), err
	}
}

func checked(lines []checkLine) (out []site.Checked) {
	for _, l := range lines {
		out = append(out, site.Checked{What: l.What, Detail: l.Detail, Mark: string(l.Mark), OK: l.OK})
	}
	return out
}

// doubleClicked does what a person expects who starts the program without a word: the pages
// open. Where it runs already they open too.
func (c *command) doubleClicked(cmd *cobra.Command) error {
	fmt.Fprintln(c.err, "Firmus runs as long as this window is open. The pages open in the browser.")
	serve := c.serveCommand()
	serve.SetContext(cmd.Context())
	err := serve.Flags().Set("open", "true")
	if err == nil {
		err = serve.RunE(serve, nil)
	}
	if err != nil && cmd.Context().Err() == nil { // the window closes with the program
		c.fail(err)
		fmt.Fprintln(c.err, "Press Enter to close this window.")
		_, _ = bufio.NewReader(c.in).ReadString('\n')
		return nil
	}
	return err
}

// openRunning opens the pages of the daemon that runs already.
func (c *command) openRunning(ctx context.Context) error {
	a, err := c.open(ctx, true)
	if err != nil {
		return err
	}
	defer a.Close()
	url, err := a.NewLink(ctx, a.Config.Web.Listen)
	if err != nil {
		return err
	}
	c.say("the daemon runs already; its pages open")
	c.show(url)
	return nil
}

// show opens an address in the person's browser, and prints it for whoever has none.
func (c *command) show(url string) {
	fmt.Fprintln(c.err, "open "+url)
	var start *exec.Cmd
	switch runtime.GOOS {
	case "windows":
		start = exec.Command("rundll32", "url.dll,FileProtocolHandler", url)
	case "darwin":
		start = exec.Command("open", url)
	default:
		start = exec.Command("xdg-open", url)
	}
	if err := start.Start(); err != nil {
		c.say("no browser could be opened (%v): open that address in one on this computer", err)
		return
	}
	go func() { _ = start.Wait() }() // what it comes to, the person sees
}
