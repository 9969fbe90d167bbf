package main

import (
	"context"
	"errors"
	"fmt"
	"os"
)

// rig is a card or several and some drives. Those that a card holds files for
// are throttled from then on.
type rig struct {
	dir    string
	cards  []*card
	drives []*disk
}

// card is a disk and what was written to it.
type card struct {
	*disk
	content content
}

// wish is what a rig is to have.
type wish struct {
	cards     []recipe
	drives    []speed
	room      float64 // of each drive, in cards' contents; 0 means 1
	cardSpeed speed
}

// withRig builds a rig, has it used, and takes it away again.
func withRig(ctx context.Context, w wish, use func(*rig) error) (err error) {
	dir, err := os.MkdirTemp(tempDir(), "bothy-bench-")
	if err != nil {
		return fmt.Errorf("make a folder for the rig: %w", err)
	}
	r := &rig{dir: dir}
	defer func() { err = errors.Join(err, r.remove()) }()
	if err := r.build(ctx, w); err != nil {
		return err
	}
	return use(r)
}

func tempDir() string {
	if dir := os.Getenv("TMPDIR"); dir != "" {
		return dir
	}
	return "/var/tmp"
}

func (r *rig) build(ctx context.Context, w wish) error {
	var total int64
	var files int
	for i, rec := range w.cards {
		total += rec.bytes()
		files += rec.files()
		d, err := newDisk(ctx, r.dir, fmt.Sprintf("SKUA_%c", 'A'+i), imageBytes(rec.bytes(), rec.files()), rec.files(), w.cardSpeed)
		c := &card{disk: d}
		r.cards = append(r.cards, c)
		if err != nil {
			return err
		}
		if c.content, err = fill(ctx, d, r.dir, rec); err != nil {
			return err
		}
	}
	for i, s := range w.drives {
		d, err := newDisk(ctx, r.dir, fmt.Sprintf("SKERRY_%c", 'A'+i), imageBytes(int64(float64(total)*max(w.room, 1)), files)+2048*mib, files, s)
		r.drives = append(r.drives, d)
		if err != nil {
			return err
		}
	}
	for _, d := range r.disks() {
		if err := d.throttle(true); err != nil {
			return err
		}
		if err := d.checkBite(ctx); err != nil {
			return err
		}
	}
	return nil
}

// imageBytes leaves room for the tables of a file system.
func imageBytes(content int64, files int) int64 {
	return content + content/5 + int64(files)*16<<10 + 256*mib
}

func (r *rig) disks() []*disk {
	var all []*disk
	for _, c := range r.cards {
		all = append(all, c.disk)
	}
	return append(all, r.drives...)
}

// fresh empties the drives and makes the kernel forget what it read.
func (r *rig) fresh(ctx context.Context) error {
	for _, d := range r.drives {
		if err := d.clear(ctx); err != nil {
			return err
		}
	}
	for _, c := range r.cards {
		if err := c.mount(ctx); err != nil {
			return err
		}
	}
	return forget()
}

// mount mounts everything again after a daemon.
func (r *rig) mount(ctx context.Context) error {
	for _, d := range r.disks() {
		if err := d.mount(ctx); err != nil {
			return err
		}
	}
	return nil
}

// letGo unmounts everything, for a daemon that mounts by itself.
func (r *rig) letGo(ctx context.Context) error {
	for _, d := range r.disks() {
		if err := d.unmount(ctx); err != nil {
			return err
		}
	}
	return forget()
}

func (r *rig) remove() error {
	var errs []error
	for _, d := range r.disks() {
		if err := d.remove(); err != nil {
			errs = append(errs, fmt.Errorf("take %s away: %w", d.label, err))
		}
	}
	return errors.Join(append(errs, os.RemoveAll(r.dir))...)
}
