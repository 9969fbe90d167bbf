package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"time"
)

// session is a daemon that runs in a process of its own.
type session struct {
	cmd    *exec.Cmd
	in     io.WriteCloser
	lines  *json.Encoder
	events *json.Decoder
	errs   bytes.Buffer
	seen   func(at time.Duration, s *status) // of each status; may be nil
	first  time.Duration                     // when a card was first read; 0 before
	end    boxEvent
	last   *status
}

// startBox starts the daemon with the media of a rig known to it and none of
// them plugged in yet.
func startBox(ctx context.Context, r *rig, policy string, o boxOptions) (*session, error) {
	base, err := os.MkdirTemp(r.dir, "box-")
	if err != nil {
		return nil, fmt.Errorf("make a folder for the box: %w", err)
	}
	path := filepath.Join(base, "policy.toml")
	if err := os.WriteFile(path, []byte(policy), 0o644); err != nil {
		return nil, fmt.Errorf("write the policy: %w", err)
	}
	cfg := boxConfig{Policy: path, State: base + "/state", Run: base + "/run", Socket: base + "/control.sock", Trace: o.trace, Gap: o.gap}
	for i, c := range r.cards {
		cfg.Media = append(cfg.Media, medium{Name: c.name, Label: c.label, Slot: fmt.Sprintf("bench-reader-%d", i)})
	}
	for i, d := range r.drives {
		cfg.Media = append(cfg.Media, medium{Name: d.name, Label: d.label, Slot: fmt.Sprintf("bench-bay-%d", i)})
	}
	s := &session{cmd: groupCommand(ctx, "/proc/self/exe", daemonLife), seen: o.seen}
	// Its mounts are its own, as a service's are, and go when it goes.
	s.cmd.SysProcAttr.Unshareflags = syscall.CLONE_NEWNS
	s.cmd.Stderr = &s.errs
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		return nil, fmt.Errorf("start the daemon: %w", err)
	}
	if s.in, err = s.cmd.StdinPipe(); err != nil {
		return nil, fmt.Errorf("start the daemon: %w", err)
	}
	if err := os.Mkdir(cfg.Run, 0o755); err != nil {
		return nil, fmt.Errorf("make a folder for the box: %w", err)
	}
	if err := s.cmd.Start(); err != nil {
		return nil, fmt.Errorf("start the daemon: %w", err)
	}
	s.lines, s.events = json.NewEncoder(s.in), json.NewDecoder(out)
	if err := s.lines.Encode(cfg); err != nil {
		return nil, errors.Join(fmt.Errorf("tell the daemon's process what to run: %w", err), s.close())
	}
	return s, nil
}

// next takes in one event.
func (s *session) next() (boxEvent, error) {
	var e boxEvent
	if err := s.events.Decode(&e); err != nil {
		return e, fmt.Errorf("the daemon's process ended: %w", err)
	}
	switch e.What {
	case eventRead:
		s.first = e.At
	case eventEnd:
		s.end = e
	case eventStatus:
		if e.Doc == nil {
			return e, errors.New("the daemon's process told of a status and gave none")
		}
		s.last = &status{*e.Doc}
		if s.seen != nil {
			s.seen(e.At, s.last)
		}
	}
	return e, nil
}

// plugged waits until a snapshot was handed to the daemon, and says when.
func (s *session) plugged() (time.Duration, error) {
	for {
		e, err := s.next()
		if err != nil || e.What == eventPlugged {
			return e.At, err
		}
	}
}

// plug has media appear, and says when.
func (s *session) plug(disks ...*disk) (time.Duration, error) {
	var call plugCall
	for _, d := range disks {
		call.Plug = append(call.Plug, d.name)
	}
	if err := s.lines.Encode(call); err != nil {
		return 0, fmt.Errorf("plug media in: %w", err)
	}
	return s.plugged()
}

// until waits for a status that is as wanted, and says when it came. wanted may
// give up with an error.
func (s *session) until(wanted func(at time.Duration, s *status) (bool, error)) (time.Duration, error) {
	for {
		e, err := s.next()
		if err != nil {
			return 0, err
		}
		if e.What != eventStatus {
			continue
		}
		if ok, err := wanted(e.At, s.last); ok || err != nil {
			return e.At, err
		}
	}
}

// close ends the daemon and takes in what is left to hear.
func (s *session) close() error {
	err := s.in.Close()
	for {
		if _, nerr := s.next(); nerr != nil {
			break // Wait says whether it was a good end
		}
	}
	if werr := s.cmd.Wait(); werr != nil {
		err = errors.Join(err, fmt.Errorf("run the daemon: %w", werr))
	}
	return err
}
