package app_test

import (
	"context"
	"errors"
	"io"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
)

var errPower = errors.New("the power is off")

// power goes off at a step that writes to a store: before it, when cutAt is odd, behind
// it, when it is even. Afterwards nothing can be written anywhere.
type power struct {
	cutAt, steps int
	off          bool
}

func (p *power) wire(a *app.App) {
	open := a.Acts.Root
	a.Acts.Root = func(store, set string, c fixity.Cache) (stores.Root, error) {
		r, err := open(store, set, c)
		if err != nil {
			return nil, err
		}
		return powered{r, p}, nil
	}
}

func (p *power) do(step func() error) error {
	if p.off {
		return errPower
	}
	p.steps += 2
	if p.steps-1 == p.cutAt {
		p.off = true
		return errPower
	}
	err := step()
	if p.steps == p.cutAt {
		p.off = true
		return errPower
	}
	return err
}

type powered struct {
	stores.Root
	p *power
}

func (r powered) Adopt(ctx context.Context, id fixity.Identity) error {
	return r.p.do(func() error { return r.Root.Adopt(ctx, id) })
}

func (r powered) Replace(ctx context.Context, path string, write func(io.Writer) error) error {
	return r.p.do(func() error { return r.Root.Replace(ctx, path, write) })
}

func (r powered) ReplaceVerified(ctx context.Context, path string, write func(io.Writer) error, verify func(fixity.Reader) error) error {
	return r.p.do(func() error { return r.Root.ReplaceVerified(ctx, path, write, verify) })
}

func (r powered) RenameOwn(ctx context.Context, from, to string) error {
	return r.p.do(func() error { return r.Root.RenameOwn(ctx, from, to) })
}

func (r powered) RemoveOwn(ctx context.Context, path string) error {
	return r.p.do(func() error { return r.Root.RemoveOwn(ctx, path) })
}
