//go:build !linux

package systemservice

import (
	"context"
	"errors"
	"fmt"
	"runtime"

	"github.com/kardianos/service"

	"firmus/fixity"
)

// Run runs the daemon, under the system's service manager if that started it.
func Run(ctx context.Context, run func(context.Context) error) error {
	if service.Interactive() || runtime.GOOS == "darwin" { // launchd speaks by signals
		return run(ctx)
	}
	p := &program{ctx: ctx, run: run, ended: make(chan error, 1)}
	s, err := service.New(p, setup(Options{}))
	if err != nil {
		return err
	}
	if err := s.Run(); err != nil {
		return err
	}
	return p.err
}

// program is the daemon as the service manager sees it.
type program struct {
	ctx    context.Context
	run    func(context.Context) error
	cancel context.CancelFunc
	ended  chan error
	err    error
}

// Start begins without waiting.
func (p *program) Start(s service.Service) error {
	ctx, cancel := context.WithCancel(p.ctx)
	p.cancel = cancel
	go func() {
		err := p.run(ctx)
		p.ended <- err
		if ctx.Err() == nil {
			_ = s.Stop() // it ended by itself: the manager is to know
		}
	}()
	return nil
}

// Stop waits for the orderly end.
func (p *program) Stop(service.Service) error {
	p.cancel()
	p.err = <-p.ended
	return nil
}

func setup(o Options) *service.Config {
	return &service.Config{Name: Name, DisplayName: "Firmus", Description: "Keeps watch over the copies of a sound archive",
		Executable: o.Binary, Arguments: []string{"--config", o.Config, "serve"}, UserName: o.User,
		Option: service.KeyValue{"RunAtLoad": true, "KeepAlive": true, "StartType": "automatic", "OnFailure": "restart", "OnFailureDelayDuration": "1m"}}
}

func of(o Options) (service.Service, error) {
	if o.Root != "" {
		return nil, fmt.Errorf("--root is for Linux: %w", fixity.ErrRefused)
	}
	return service.New(&program{}, setup(o))
}

// Install makes the service known to the system and starts it.
func Install(_ context.Context, o Options) ([]string, error) {
	if o.Group != "" {
		return nil, fmt.Errorf("a group is for Linux: %w", fixity.ErrRefused)
	}
	s, err := of(o)
	if err != nil {
		return nil, err
	}
	if err := s.Install(); err != nil {
		return nil, err
	}
	return []string{Name + " (" + s.Platform() + ")"}, s.Start()
}

// Remove stops the service and makes the system forget it.
func Remove(_ context.Context, o Options) ([]string, error) {
	s, err := of(o)
	if err != nil {
		return nil, err
	}
	_ = s.Stop() // it may not run
	if err := s.Uninstall(); err != nil {
		return nil, err
	}
	return []string{Name + " (" + s.Platform() + ")"}, nil
}

// State asks how the service is.
func State(_ context.Context, o Options) (Status, error) {
	s, err := of(o)
	if err != nil {
		return Status{}, err
	}
	switch st, err := s.Status(); {
	case errors.Is(err, service.ErrNotInstalled):
		return Status{Detail: "not installed"}, nil
	case err != nil:
		return Status{}, err
	default:
		return Status{Installed: true, Enabled: true, Running: st == service.StatusRunning, File: s.Platform(),
			Detail: map[service.Status]string{service.StatusRunning: "running", service.StatusStopped: "stopped"}[st]}, nil
	}
}
