// Mutation changes packages on purpose, one operator at a time, and runs the tests of the
// changed package against each change. [.ci/mutation] says what it asks for.
//
// All changes of a package are compiled into one test program, which the environment tells
// the one to make: an operator stands in a function with its others beside it. What can't
// stand there, such as a constant, is compiled by itself. The program also notes the places
// that a test reaches, so that against each change only the tests run that reach it; a change
// that these don't notice is tried with all tests.
//
// It uses 3 times the memory of the package's tests, at most 8 GB, and needs a POSIX shell.
package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

const (
	wanted = 97.0 // percent of the changes noticed, and of the places reached
	listed = ".tools/mutation.txt"
)

// kinds are the changes: what an operator becomes.
var kinds = []struct {
	name string
	to   map[token.Token]token.Token
}{
	{"ARITHMETIC_BASE", map[token.Token]token.Token{token.ADD: token.SUB, token.SUB: token.ADD, token.MUL: token.QUO, token.QUO: token.MUL, token.REM: token.MUL}},
	{"CONDITIONALS_BOUNDARY", map[token.Token]token.Token{token.GEQ: token.GTR, token.GTR: token.GEQ, token.LEQ: token.LSS, token.LSS: token.LEQ}},
	{"CONDITIONALS_NEGATION", map[token.Token]token.Token{token.EQL: token.NEQ, token.NEQ: token.EQL, token.GEQ: token.LSS, token.LSS: token.GEQ, token.GTR: token.LEQ, token.LEQ: token.GTR}},
	{"INCREMENT_DECREMENT", map[token.Token]token.Token{token.INC: token.DEC, token.DEC: token.INC}},
	{"INVERT_ASSIGNMENTS", map[token.Token]token.Token{token.ADD_ASSIGN: token.SUB_ASSIGN, token.SUB_ASSIGN: token.ADD_ASSIGN, token.MUL_ASSIGN: token.QUO_ASSIGN, token.QUO_ASSIGN: token.MUL_ASSIGN, token.REM_ASSIGN: token.MUL_ASSIGN}},
	{"INVERT_BITWISE", map[token.Token]token.Token{token.AND: token.OR, token.OR: token.AND, token.XOR: token.AND, token.AND_NOT: token.AND, token.SHL: token.SHR, token.SHR: token.SHL}},
	{"INVERT_BWASSIGN", map[token.Token]token.Token{token.AND_ASSIGN: token.OR_ASSIGN, token.OR_ASSIGN: token.AND_ASSIGN, token.XOR_ASSIGN: token.AND_ASSIGN, token.AND_NOT_ASSIGN: token.AND_ASSIGN, token.SHL_ASSIGN: token.SHR_ASSIGN, token.SHR_ASSIGN: token.SHL_ASSIGN}},
	{"INVERT_LOGICAL", map[token.Token]token.Token{token.LAND: token.LOR, token.LOR: token.LAND}},
	{"INVERT_LOOPCTRL", map[token.Token]token.Token{token.BREAK: token.CONTINUE, token.CONTINUE: token.BREAK}},
	{"REMOVE_SELF_ASSIGNMENTS", map[token.Token]token.Token{
		token.ADD_ASSIGN: token.ASSIGN, token.SUB_ASSIGN: token.ASSIGN, token.MUL_ASSIGN: token.ASSIGN, token.QUO_ASSIGN: token.ASSIGN, token.REM_ASSIGN: token.ASSIGN,
		token.AND_ASSIGN: token.ASSIGN, token.OR_ASSIGN: token.ASSIGN, token.XOR_ASSIGN: token.ASSIGN, token.AND_NOT_ASSIGN: token.ASSIGN, token.SHL_ASSIGN: token.ASSIGN, token.SHR_ASSIGN: token.ASSIGN,
	}},
}

// A change is one operator exchanged for another.
type change struct {
	id    int
	kind  string
	to    token.Token
	alone bool // it has a program of its own
}

// A place is an operator and what it stands in.
type place struct {
	file       *source
	start, end int // of what it stands in, in bytes
	at, behind int // of the operator
	result     string
	statement  bool // it stands where a statement may, not in the head of another
	changes    []*change
	inner      []*place
}

// number is how the program knows the place.
func (p *place) number() int { return p.changes[0].id }

// A source is one file of the package.
type source struct {
	path   string // from the package's folder
	text   string
	places []*place // those in no other
}

func main() {
	ok := true
	fmt.Printf("%-32s %8s %8s %8s\n", "package", "changes", "noticed", "reached")
	for _, arg := range os.Args[1:] {
		only := ""
		if strings.HasSuffix(arg, ".go") {
			arg, only = filepath.Dir(arg), filepath.Base(arg)
		}
		good, err := try(filepath.ToSlash(filepath.Clean(arg)), only)
		if err != nil {
			fmt.Fprintf(os.Stderr, "mutation: %s: %v\n", arg, err)
		}
		ok = ok && good && err == nil
	}
	if !ok {
		os.Exit(1)
	}
}

// try makes the changes of one package, or of one file of it, and says how the tests took them.
func try(dir, only string) (bool, error) {
	tmp, err := os.MkdirTemp("", "mutation")
	if err != nil {
		return false, err
	}
	defer os.RemoveAll(tmp)
	p, err := read(dir, tmp)
	if err != nil {
		return false, err
	}
	if err := p.together(); err != nil {
		return false, err
	}
	reached, err := p.reach()
	if err != nil {
		return false, err
	}

	known := map[string]bool{} // what is listed, and whether a change was it
	text, err := os.ReadFile(listed)
	if err != nil {
		return false, err
	}
	for line := range strings.Lines(string(text)) {
		if file, _, ok := strings.Cut(line, " "); ok && line[0] != '#' && line[0] != '\t' && filepath.ToSlash(filepath.Dir(file)) == dir {
			known[strings.TrimSpace(line)] = false
		}
	}
	var noticed, lived, unreached, unlisted int
	type made struct {
		*place
		*change
	}
	var together, alone []made // the latter take longer
	for _, pl := range p.all() {
		for _, c := range pl.changes {
			if only != "" && pl.file.path != only {
				continue
			} else if c.alone {
				alone = append(alone, made{pl, c})
			} else {
				together = append(together, made{pl, c})
			}
		}
	}
	for _, m := range append(together, alone...) {
		pl, c := m.place, m.change
		how := "unreached"
		if tests := reached[pl.number()]; len(tests) > 0 {
			switch seen, err := p.run(pl, c, tests); {
			case errors.Is(err, errNoProgram):
				continue
			case err != nil:
				return false, err
			case seen:
				noticed++
				continue
			}
			how = "unnoticed"
			lived++
		} else if c.alone && !p.compiles(pl, c) {
			continue
		} else {
			unreached++
		}
		line, number := pl.line()
		name := fmt.Sprintf("%s/%s %s %s", dir, pl.file.path, c.kind, line)
		if _, ok := known[name]; ok {
			known[name] = true
			how += ", listed"
		} else if how == "unnoticed" {
			unlisted++
		}
		fmt.Printf("   %s: %s (line %d)\n", how, name, number)
	}
	all := noticed + lived + unreached
	if all == 0 {
		return false, errors.New("no change was made")
	}
	share := 100 * float64(noticed) / float64(max(1, noticed+lived))
	places := 100 * float64(noticed+lived) / float64(all)
	good := unlisted == 0 && share >= wanted && places >= wanted
	for name, used := range known {
		if !used && (only == "" || strings.HasPrefix(name, dir+"/"+only+" ")) {
			fmt.Printf("   listed, and noticed or gone: %s\n", name)
			good = false
		}
	}
	fmt.Printf("%-32s %8d %6.1f %% %6.1f %%\n", dir, all, share, places)
	return good, nil
}

// line returns the line that the operator is in, with a mark before it, and its number.
func (p *place) line() (string, int) {
	start := strings.LastIndexByte(p.file.text[:p.at], '\n') + 1
	rest, _, _ := strings.Cut(p.file.text[p.at:], "\n")
	return strings.Trim(p.file.text[start:p.at]+"»"+rest, " \t"), strings.Count(p.file.text[:p.at], "\n") + 1
}

// A pack is a package under change.
type pack struct {
	dir, tmp string // its folder, and one to work in
	path     string
	files    []*source
	exports  map[string]string // of what it imports, by path
	imports  types.Importer
	limits   map[string]cost // of each test by itself
}

// A cost is what a run took.
type cost struct{ processor, clock time.Duration }

// read parses the package and finds what can be changed in it.
func read(dir, tmp string) (*pack, error) {
	p := &pack{dir: dir, tmp: tmp, exports: map[string]string{}, limits: map[string]cost{}}
	out, err := output("go", "list", "-export", "-deps", "-f", "{{if .Standard}}std{{else if .DepOnly}}dep{{else}}own{{end}}|{{.ImportPath}}|{{.Export}}|{{range .GoFiles}}{{.}} {{end}}", "./"+dir, "os", "strconv", "sync/atomic")
	if err != nil {
		return nil, err
	}
	set := token.NewFileSet()
	var files []*ast.File
	for line := range strings.Lines(out) {
		part := strings.Split(strings.TrimSpace(line), "|")
		p.exports[part[1]] = part[2]
		if part[0] != "own" {
			continue
		}
		p.path = part[1]
		for name := range strings.FieldsSeq(part[3]) {
			text, err := os.ReadFile(filepath.Join(dir, name))
			if err != nil {
				return nil, err
			}
			file, err := parser.ParseFile(set, name, text, parser.SkipObjectResolution)
			if err != nil {
				return nil, err
			}
			files = append(files, file)
			p.files = append(p.files, &source{path: name, text: string(text)})
		}
	}
	info := &types.Info{Types: map[ast.Expr]types.TypeAndValue{}}
	p.imports = importer.ForCompiler(set, "gc", func(path string) (io.ReadCloser, error) { return os.Open(p.exports[path]) })
	config := types.Config{Importer: p.imports}
	if _, err := config.Check(p.path, set, files, info); err != nil {
		return nil, err
	}
	id := 0
	for i, f := range files {
		id = p.files[i].find(f, set, info, id)
	}
	return p, nil
}

// find collects the places of one file and numbers their changes behind id.
func (s *source) find(file *ast.File, set *token.FileSet, info *types.Info, id int) int {
	imported := func(pkg *types.Package) string {
		for _, i := range file.Imports {
			if path, err := strconv.Unquote(i.Path.Value); err == nil && path == pkg.Path() {
				if i.Name != nil {
					return i.Name.Name
				}
				return pkg.Name()
			}
		}
		if pkg.Name() == file.Name.Name {
			return ""
		}
		return pkg.Name()
	}
	var nodes []ast.Node
	var open []*place
	ast.Inspect(file, func(n ast.Node) bool {
		if n == nil {
			if op, _ := operator(nodes[len(nodes)-1]); op != token.ILLEGAL {
				open = open[:len(open)-1]
			}
			nodes = nodes[:len(nodes)-1]
			return true
		}
		nodes = append(nodes, n)
		op, at := operator(n)
		if op == token.ILLEGAL {
			return true
		}
		pl := &place{file: s, start: set.Position(n.Pos()).Offset, end: set.Position(n.End()).Offset, at: set.Position(at).Offset}
		pl.behind = pl.at + len(op.String())
		if x, ok := n.(ast.Expr); ok {
			pl.result = types.TypeString(types.Default(info.TypeOf(x)), imported)
		}
		if len(nodes) > 1 {
			switch in := nodes[len(nodes)-2].(type) {
			case *ast.BlockStmt, *ast.CaseClause, *ast.LabeledStmt:
				pl.statement = true
			case *ast.CommClause:
				pl.statement = in.Comm != n
			}
		}
		for _, k := range kinds {
			if to, ok := k.to[op]; ok {
				pl.changes = append(pl.changes, &change{id: id, kind: k.name, to: to})
				id++
			}
		}
		if len(open) > 0 {
			open[len(open)-1].inner = append(open[len(open)-1].inner, pl)
		} else {
			s.places = append(s.places, pl)
		}
		open = append(open, pl)
		return true
	})
	return id
}

// operator returns what of a node can be changed and where it is, or ILLEGAL.
func operator(n ast.Node) (token.Token, token.Pos) {
	op, at := token.ILLEGAL, token.NoPos
	switch n := n.(type) {
	case *ast.BinaryExpr:
		op, at = n.Op, n.OpPos
	case *ast.UnaryExpr:
		if n.Op == token.SUB {
			op, at = n.Op, n.OpPos
		}
	case *ast.IncDecStmt:
		op, at = n.Tok, n.TokPos
	case *ast.AssignStmt:
		op, at = n.Tok, n.TokPos
	case *ast.BranchStmt:
		op, at = n.Tok, n.TokPos
	}
	for _, k := range kinds {
		if k.to[op] != token.ILLEGAL {
			return op, at
		}
	}
	return token.ILLEGAL, at
}

// all returns every place, the outer before the inner.
func (p *pack) all() []*place {
	var all []*place
	var add func(places []*place)
	add = func(places []*place) {
		for _, pl := range places {
			all = append(all, pl)
			add(pl.inner)
		}
	}
	for _, f := range p.files {
		add(f.places)
	}
	return all
}

// with returns the text of what the place stands in, with the change made. What the operator
// takes stays as it is, whichever binds stronger.
func (p *place) with(c *change) string {
	left, right := p.file.text[p.start:p.at], p.file.text[p.behind:p.end]
	if p.result != "" && left != "" {
		left, right = "("+left+")", "("+right+")"
	}
	return left + c.to.String() + right
}

// render returns a part of a file in which the environment chooses at each place. Comments mark
// where a place (P) and a change (C) begin and end. The lines are the file's.
func (s *source) render(start, end int, places []*place) string {
	var b strings.Builder
	for _, p := range places {
		b.WriteString(s.text[start:p.start])
		b.WriteString(p.render())
		start = p.end
	}
	b.WriteString(s.text[start:end])
	return b.String()
}

func (p *place) render() string {
	own := p.file.render(p.start, p.end, p.inner)
	var b strings.Builder
	give := ""
	if p.result != "" {
		give = "return "
	}
	n := 0
	for _, c := range p.changes {
		if !c.alone {
			fmt.Fprintf(&b, "case %d: %s/*<C%d*/%s/*C>*/; ", c.id, give, c.id, p.with(c))
			n++
		}
	}
	if n == 0 {
		return own
	}
	mark := fmt.Sprintf("/*<P%d*/", p.number())
	switch c := p.changes[0]; {
	case p.result != "":
		return fmt.Sprintf("%sfunc() %s { switch mutationAt(%d) { %s}; return %s }()/*P>*/", mark, p.result, p.number(), b.String(), own)
	case c.kind == "INVERT_LOOPCTRL": // a switch would catch a break
		return fmt.Sprintf("%sif mutationAt(%d) == %d { /*<C%d*/%s/*C>*/ } else { %s }/*P>*/", mark, c.id, c.id, c.id, p.with(c), own)
	case p.statement:
		return fmt.Sprintf("%sswitch mutationAt(%d) { %sdefault: %s }/*P>*/", mark, p.number(), b.String(), own)
	}
	return fmt.Sprintf("%sfunc() { switch mutationAt(%d) { %sdefault: %s } }()/*P>*/", mark, p.number(), b.String(), own)
}

// chooser is the file that is added to the package: a number for the package, and one more
// than the last change.
const chooser = `package %s

import (
	"os"
	"strconv"
	"sync/atomic"
)

var mutationMade = func() int { n, err := strconv.Atoi(os.Getenv("FIRMUS_MUTATION")); if err != nil { return -1 }; return n }()

var mutationNotes = func() *os.File {
	if os.Getenv("FIRMUS_MUTATION_NOTES") == "" { return nil }
	f, err := os.OpenFile(os.Getenv("FIRMUS_MUTATION_NOTES"), os.O_WRONLY|os.O_APPEND|os.O_CREATE, 0o600)
	if err != nil { panic(err) }
	return f
}()

var mutationNoted [%d]atomic.Bool

func mutationAt(place int) int {
	if mutationNotes != nil { mutationNote(place) }
	return mutationMade
}

func mutationNote(place int) {
	if mutationNoted[place].Load() || mutationNoted[place].Swap(true) { return }
	if _, err := mutationNotes.WriteString(strconv.Itoa(place) + "\n"); err != nil { panic(err) }
}
`

// together writes the program of all changes, and sets those aside that can't be in it.
func (p *pack) together() error {
	texts := map[string]string{}
	for {
		last := 0
		for _, f := range p.files {
			texts[f.path] = f.render(0, len(f.text), f.places)
		}
		for _, pl := range p.all() {
			last = max(last, pl.changes[len(pl.changes)-1].id)
		}
		name, err := parser.ParseFile(token.NewFileSet(), "", p.files[0].text, parser.PackageClauseOnly)
		if err != nil {
			return err
		}
		texts["mutation_chooser.go"] = fmt.Sprintf(chooser, name.Name.Name, last+1)
		errs := p.check(texts)
		if len(errs) == 0 {
			break
		}
		if !p.setAside(errs, texts) {
			return fmt.Errorf("the program of all changes: %w", errs[0])
		}
	}
	return p.build("all", texts)
}

var marks = regexp.MustCompile(`/\*(?:<[PC]\d+|[PC]>)\*/`)

// setAside takes the changes that an error is about out of the program, and says whether
// there was one.
func (p *pack) setAside(errs []types.Error, texts map[string]string) bool {
	any := false
	aside := func(choose func(*place, *change) bool) bool {
		found := false
		for _, pl := range p.all() {
			for _, c := range pl.changes {
				if !c.alone && choose(pl, c) {
					c.alone, found, any = true, true, true
				}
			}
		}
		return found
	}
	for _, e := range errs {
		at := e.Fset.Position(e.Pos)
		var open []string
		for _, m := range marks.FindAllStringIndex(texts[at.Filename], -1) {
			if m[0] > at.Offset {
				break
			}
			if mark := texts[at.Filename][m[0]:m[1]]; mark[2] == '<' {
				open = append(open, mark[3:len(mark)-2])
			} else {
				open = open[:len(open)-1]
			}
		}
		if len(open) > 0 {
			inside := open[len(open)-1]
			id, _ := strconv.Atoi(inside[1:])
			aside(func(pl *place, c *change) bool {
				return inside[0] == 'C' && c.id == id || inside[0] == 'P' && pl.number() == id
			})
			continue
		}
		// What surrounds a place doesn't take it, or a loop without an end has got one.
		_ = aside(func(pl *place, c *change) bool {
			_, line := pl.line()
			return pl.file.path == at.Filename && line == at.Line
		}) ||
			aside(func(pl *place, c *change) bool {
				return pl.file.path == at.Filename && c.to == token.BREAK
			})
	}
	return any
}

// check returns what keeps the texts from being a package.
func (p *pack) check(texts map[string]string) []types.Error {
	set := token.NewFileSet()
	var files []*ast.File
	var errs []types.Error
	for _, name := range slices.Sorted(maps.Keys(texts)) {
		f, err := parser.ParseFile(set, name, texts[name], parser.SkipObjectResolution)
		if err != nil {
			return []types.Error{{Fset: set, Msg: err.Error()}}
		}
		files = append(files, f)
	}
	config := types.Config{Importer: p.imports, Error: func(err error) {
		if e := (types.Error{}); errors.As(err, &e) {
			errs = append(errs, e)
		}
	}}
	_, _ = config.Check(p.path, set, files, nil) // its first error is among those
	return errs
}

// build compiles the tests with other texts of the package's files.
func (p *pack) build(name string, texts map[string]string) error {
	overlay := map[string]map[string]string{"Replace": {}}
	for file, text := range texts {
		to := filepath.Join(p.tmp, name+"_"+file)
		if err := os.WriteFile(to, []byte(text), 0o600); err != nil {
			return err
		}
		from, err := filepath.Abs(filepath.Join(p.dir, file))
		if err != nil {
			return err
		}
		overlay["Replace"][from] = to
	}
	list, err := json.Marshal(overlay)
	if err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(p.tmp, name+".json"), list, 0o600); err != nil {
		return err
	}
	_, err = output("go", "test", "-c", "-vet=off", "-overlay", filepath.Join(p.tmp, name+".json"), "-o", filepath.Join(p.tmp, name+".test"), "./"+p.dir)
	return err
}

// single returns the texts with one change.
func (p *pack) single(pl *place, c *change) map[string]string {
	texts := map[string]string{}
	for _, f := range p.files {
		texts[f.path] = f.text
		if f == pl.file {
			texts[f.path] = f.text[:pl.start] + pl.with(c) + f.text[pl.end:]
		}
	}
	return texts
}

func (p *pack) compiles(pl *place, c *change) bool { return len(p.check(p.single(pl, c))) == 0 }

// reach runs each test by itself and returns the tests that reach a place, by its number.
func (p *pack) reach() (map[int][]string, error) {
	tests, err := output(filepath.Join(p.tmp, "all.test"), "-test.list", ".")
	if err != nil {
		return nil, err
	}
	reached := map[int][]string{}
	notes := filepath.Join(p.tmp, "notes")
	for name := range strings.Lines(tests) {
		if name = strings.TrimSpace(name); strings.HasPrefix(name, "Benchmark") {
			continue
		}
		_ = os.Remove(notes) // there is none before the first
		said, c, err := p.program("all", cost{time.Hour, time.Hour}, "^"+name+"$", "FIRMUS_MUTATION_NOTES="+notes)
		if err != nil {
			return nil, fmt.Errorf("%s without a change: %w\n%s", name, err, said)
		}
		p.limits[name] = c
		text, err := os.ReadFile(notes)
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			return nil, err
		}
		for line := range strings.Lines(string(text)) {
			n, err := strconv.Atoi(strings.TrimSpace(line))
			if err != nil {
				return nil, err
			}
			if !slices.Contains(reached[n], name) {
				reached[n] = append(reached[n], name)
			}
		}
	}
	// What stands in no program of all changes is where nobody notes: all tests may reach it.
	for _, pl := range p.all() {
		if !slices.ContainsFunc(pl.changes, func(c *change) bool { return !c.alone }) {
			for name := range p.limits {
				reached[pl.number()] = append(reached[pl.number()], name)
			}
		}
	}
	return reached, nil
}

var errNoProgram = errors.New("no program, so nothing to notice")

// run says whether the tests notice a change: the quick ones that reach it, else the slow ones,
// else the others.
func (p *pack) run(pl *place, c *change, tests []string) (bool, error) {
	name := "all"
	if c.alone {
		if !p.compiles(pl, c) {
			return false, errNoProgram
		}
		name = "one"
		if err := p.build(name, p.single(pl, c)); err != nil {
			return false, errNoProgram
		}
	}
	var quick, slow, others []string
	var whole time.Duration
	for _, t := range tests {
		whole += p.limits[t].processor
	}
	for t, c := range p.limits {
		switch {
		case !slices.Contains(tests, t):
			others = append(others, t)
		case c.processor > whole/8:
			slow = append(slow, t)
		default:
			quick = append(quick, t)
		}
	}
	for _, tests := range [][]string{quick, slow, others} {
		if len(tests) == 0 {
			continue
		}
		limit := cost{2 * time.Second, time.Minute}
		for _, t := range tests {
			limit.processor += 5 * p.limits[t].processor
			limit.clock += 10 * p.limits[t].clock
		}
		_, _, err := p.program(name, limit, "^("+strings.Join(tests, "|")+")$", fmt.Sprintf("FIRMUS_MUTATION=%d", c.id))
		if exit := (*exec.ExitError)(nil); errors.As(err, &exit) {
			return true, nil
		} else if err != nil {
			return false, err
		}
	}
	return false, nil
}

// program runs a test program in the package's folder. A change that makes a loop endless
// ends at the limit, and doesn't take the machine's memory.
func (p *pack) program(name string, limit cost, tests, env string) (string, cost, error) {
	seconds := int(limit.processor/time.Second) + 1
	cmd := exec.Command("sh", "-c", `ulimit -v 8000000; ulimit -c 0; ulimit -t `+strconv.Itoa(seconds)+`; exec "$@"`, "sh",
		filepath.Join(p.tmp, name+".test"), "-test.short", "-test.failfast", "-test.run", tests, "-test.timeout", limit.clock.String())
	cmd.Dir = p.dir
	cmd.Env = append(os.Environ(), env)
	began := time.Now()
	said, err := cmd.CombinedOutput()
	c := cost{clock: time.Since(began)}
	if cmd.ProcessState != nil {
		c.processor = cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
	}
	return string(said), c, err
}

// output runs a command and returns what it wrote.
func output(name string, args ...string) (string, error) {
	cmd := exec.Command(name, args...)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		return "", fmt.Errorf("%s %s: %w\n%s", filepath.Base(name), args[0], err, errs.String())
	}
	return string(out), nil
}
