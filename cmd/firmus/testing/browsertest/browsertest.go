// Package browsertest drives a real browser in tests, as a person would: Debian's chromium,
// without a window.
package browsertest

import (
	"context"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// patience is how long a step may take: machines that run tests are slow at times.
const patience = 40 * time.Second

// Tab is a window of the browser.
type Tab struct {
	t   testing.TB
	ctx context.Context
}

// New opens a browser with nothing in it. Without chromium the test is skipped, and fails
// where FIRMUS_ALL_PARTS is set.
func New(t testing.TB) *Tab {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("FIRMUS_ALL_PARTS") != "" {
			t.Fatal("chromium is not here")
		}
		t.Skip("chromium is not here")
	}
	o := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-background-networking", true))
	ctx, stop := chromedp.NewExecAllocator(context.Background(), o...)
	t.Cleanup(stop)
	ctx, stop = chromedp.NewContext(ctx)
	t.Cleanup(stop)
	if err := chromedp.Do(ctx); err != nil { // the browser lives as long as the context that starts it
		t.Fatal(err)
	}
	tab := &Tab{t, ctx}
	tab.Size(1200, 900)
	return tab
}

// Do runs actions; the test fails if one does.
func (b *Tab) Do(actions ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	run(b, chromedp.Steps(actions...))
}

func run[T any](b *Tab, a chromedp.Action[T]) T {
	b.t.Helper()
	ctx, stop := context.WithTimeout(b.ctx, patience)
	defer stop()
	v, err := chromedp.Run(ctx, a)
	if err != nil {
		b.t.Fatalf("the browser: %v\n%s", err, b.Text())
	}
	return v
}

// call gives the browser a command of its own.
func call[P, R any](b *Tab, c cdp.Command[P, R], p P) {
	b.t.Helper()
	run(b, func(ctx context.Context, t *chromedp.Target) (R, error) { return cdp.Call(ctx, t, c, p) })
}

// Open goes to an address.
func (b *Tab) Open(url string) { b.t.Helper(); b.Do(chromedp.Navigate(url)) }

// Click clicks the link or button of a text, as it is read, and waits until the page that
// comes is there.
func (b *Tab) Click(text string) {
	b.t.Helper()
	at := `//*[self::a or self::button][normalize-space()="` + text + `"]`
	b.Do(chromedp.WaitVisible(at), chromedp.ScrollIntoView(at))
	b.Do(chromedp.Evaluate[chromedp.Void]("window.before = true"), chromedp.Click(at))
	b.Loaded()
}

// Loaded waits until another page is there than the one that was marked as before.
func (b *Tab) Loaded() {
	b.t.Helper()
	for end := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) {
		ctx, stop := context.WithTimeout(b.ctx, patience)
		there, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`window.before === undefined && document.readyState === "complete"`)) // between two pages there is none
		stop()
		if err == nil && there {
			return
		}
		if time.Now().After(end) {
			b.t.Fatalf("no other page came: %v\n%s", err, b.Text())
		}
	}
}

// Wait waits until the page says a text.
func (b *Tab) Wait(text string) {
	b.t.Helper()
	for end := time.Now().Add(patience); ; time.Sleep(50 * time.Millisecond) {
		if strings.Contains(b.Text(), text) {
			return
		}
		if time.Now().After(end) {
			b.t.Fatalf("the page never said %q:\n%s", text, b.Text())
		}
	}
}

// Text is what the page says, each run of blanks as one.
func (b *Tab) Text() string {
	ctx, stop := context.WithTimeout(b.ctx, patience)
	defer stop()
	s, _ := chromedp.Run(ctx, chromedp.Evaluate[string](`document.body ? document.body.innerText : ""`)) // between two pages there is none
	return strings.Join(strings.Fields(s), " ")
}

// At is the address of the page.
func (b *Tab) At() string { b.t.Helper(); return run(b, chromedp.Location()) }

// Eval evaluates an expression in the page; a promise is waited for.
func Eval[T any](b *Tab, js string) T {
	b.t.Helper()
	return run(b, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
}

// Size makes the window as wide and high as so many CSS pixels.
func (b *Tab) Size(w, h int64) {
	b.t.Helper()
	call(b, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: w, Height: h, DeviceScaleFactor: 1})
}

// Dark has pages drawn for people who have asked for dark ones, or for light ones.
func (b *Tab) Dark(dark bool) {
	b.t.Helper()
	v := map[bool]string{true: "dark", false: "light"}[dark]
	call(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: v}}})
}

// NoScript has pages do without scripts.
func (b *Tab) NoScript() {
	b.t.Helper()
	call(b, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
}

// Bypass lets the test run a script of its own in pages whose content policy has none.
func (b *Tab) Bypass() {
	b.t.Helper()
	call(b, page.SetBypassCSP, page.SetBypassCSPParams{Enabled: true})
}

// Press presses keys, as chromedp's kb names them.
func (b *Tab) Press(keys string) { b.t.Helper(); b.Do(chromedp.KeyEvent(keys)) }

// Picture writes what is seen into a file, for people to look at.
func (b *Tab) Picture(file string) {
	b.t.Helper()
	if err := os.WriteFile(file, run(b, chromedp.FullScreenshot(100)), 0o644); err != nil {
		b.t.Fatal(err)
	}
}

// Touch clicks in the middle of what an XPath names, and waits for nothing.
func (b *Tab) Touch(path string) {
	b.t.Helper()
	b.Do(chromedp.WaitVisible(path), chromedp.ScrollIntoView(path), chromedp.Click(path))
}

// Fill types a text into the field of a name, in the place of what stands there.
func (b *Tab) Fill(name, text string) {
	b.t.Helper()
	at := `//input[@name="` + name + `"]`
	b.Do(chromedp.WaitVisible(at), chromedp.Evaluate[chromedp.Void](`document.getElementsByName("`+name+`")[0].value = ""`), chromedp.SendKeys(at, text))
}

// Choose chooses a file in the field of a name.
func (b *Tab) Choose(name, file string) {
	b.t.Helper()
	b.Do(chromedp.SetUploadFiles(`//input[@name="`+name+`"]`, []string{file}))
}

// Until waits until an expression is true in the page.
func (b *Tab) Until(js string) {
	b.t.Helper()
	for end := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) {
		ctx, stop := context.WithTimeout(b.ctx, patience)
		is, _ := chromedp.Run(ctx, chromedp.Evaluate[bool](js)) // between two pages there is none
		stop()
		if is {
			return
		}
		if time.Now().After(end) {
			b.t.Fatalf("it never became so: %s\n%s", js, b.Text())
		}
	}
}

// PDF writes the page as it prints into a file.
func (b *Tab) PDF(file string) {
	b.t.Helper()
	r := run(b, func(ctx context.Context, t *chromedp.Target) (page.PrintToPDFResult, error) {
		return cdp.Call(ctx, t, page.PrintToPDF, page.PrintToPDFParams{PreferCSSPageSize: new(true)})
	})
	if err := os.WriteFile(file, r.Data, 0o644); err != nil {
		b.t.Fatal(err)
	}
}
