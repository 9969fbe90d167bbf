package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// disk is a loop device with an ext4 file system, as fast as it is told to be.
type disk struct {
	label  string // of its file system
	image  string
	node   string // e.g. /dev/loop5
	name   string // e.g. loop5
	number string // MAJOR:MINOR
	point  string // where it is mounted
	speed  speed

	mounted, throttled bool
}

// speed is in MiB/s; 0 is as fast as it goes.
type speed struct{ read, write int }

// What the rig's media can do.
var (
	cardSpeed  = speed{read: 90} // it is never written
	driveSpeed = speed{read: 220, write: 200}
	slowSpeed  = speed{read: 22, write: 20}
)

const mib = 1 << 20

// newDisk makes a disk below dir that has room for that many files and more. Its
// image takes no more room than what is written to it.
func newDisk(ctx context.Context, dir, label string, sizeBytes int64, files int, s speed) (*disk, error) {
	d := &disk{label: label, image: filepath.Join(dir, label+".img"), point: filepath.Join(dir, label), speed: s}
	f, err := os.Create(d.image)
	if err != nil {
		return d, fmt.Errorf("make image: %w", err)
	}
	err = errors.Join(f.Truncate(sizeBytes), f.Close(), os.Mkdir(d.point, 0o755))
	if err != nil {
		return d, fmt.Errorf("make image %s: %w", d.image, err)
	}
	// No table may be filled in later, while the clock runs.
	args := []string{"-q", "-F", "-L", label, "-E", "lazy_itable_init=0,lazy_journal_init=0"}
	args = append(args, "-N", fmt.Sprint(2*files+20_000))
	if _, err := tool(ctx, "mkfs.ext4", append(args, d.image)...); err != nil {
		return d, err
	}
	node, err := tool(ctx, "losetup", "-f", "--show", "--direct-io=on", d.image)
	if err != nil {
		return d, err
	}
	d.node = strings.TrimSpace(node)
	d.name = filepath.Base(d.node)
	number, err := os.ReadFile("/sys/block/" + d.name + "/dev")
	if err != nil {
		return d, fmt.Errorf("look at %s: %w", d.node, err)
	}
	d.number = strings.TrimSpace(string(number))
	// Else the image would be kept in memory, where no throttle is.
	if dio, err := os.ReadFile("/sys/block/" + d.name + "/loop/dio"); err != nil || strings.TrimSpace(string(dio)) != "1" {
		return d, fmt.Errorf("%w: %s does not reach its image past the page cache", errToothless, d.node)
	}
	// What stands for a solid state medium must not say that it rotates.
	if err := os.WriteFile("/sys/block/"+d.name+"/queue/rotational", []byte("0"), 0); err != nil {
		return d, fmt.Errorf("make %s solid state: %w", d.node, err)
	}
	return d, d.mount(ctx)
}

func (d *disk) mount(ctx context.Context) error {
	if d.mounted {
		return nil
	}
	// The daemon sets a card's device read-only and leaves it so.
	if _, err := tool(ctx, "blockdev", "--setrw", d.node); err != nil {
		return err
	}
	if _, err := tool(ctx, "mount", "-o", "noatime", d.node, d.point); err != nil {
		return err
	}
	d.mounted = true
	return nil
}

func (d *disk) unmount(ctx context.Context) error {
	if !d.mounted {
		return nil
	}
	if _, err := tool(ctx, "umount", d.point); err != nil {
		return err
	}
	d.mounted = false
	return nil
}

// throttle sets the disk's speed, or lifts it.
func (d *disk) throttle(on bool) error {
	if d.speed == (speed{}) {
		return nil
	}
	for way, rate := range map[string]int{"read": d.speed.read, "write": d.speed.write} {
		if !on {
			rate = 0
		}
		line := fmt.Sprintf("%s %d", d.number, int64(rate)*mib)
		if err := os.WriteFile(throttleFile(way), []byte(line), 0); err != nil {
			return fmt.Errorf("throttle %s: %w", d.node, err)
		}
	}
	d.throttled = on
	return nil
}

// unthrottled does some housekeeping at full speed.
func (d *disk) unthrottled(work func() error) error {
	was := d.throttled
	if err := d.throttle(false); err != nil {
		return err
	}
	return errors.Join(work(), d.throttle(was))
}

// clear removes what is on a drive, and waits until that is written.
func (d *disk) clear(ctx context.Context) error {
	return d.unthrottled(func() error {
		if err := d.mount(ctx); err != nil {
			return err
		}
		entries, err := os.ReadDir(d.point)
		if err != nil {
			return fmt.Errorf("clear %s: %w", d.label, err)
		}
		for _, e := range entries {
			if e.Name() == "lost+found" {
				continue
			}
			if err := os.RemoveAll(filepath.Join(d.point, e.Name())); err != nil {
				return fmt.Errorf("clear %s: %w", d.label, err)
			}
		}
		return d.flush()
	})
}

func (d *disk) flush() error {
	f, err := os.Open(d.point)
	if err != nil {
		return fmt.Errorf("flush %s: %w", d.label, err)
	}
	defer f.Close()
	if err := unix.Syncfs(int(f.Fd())); err != nil {
		return fmt.Errorf("flush %s: %w", d.label, err)
	}
	return nil
}

// remove takes a disk away, however far it came. It does not end early.
func (d *disk) remove() error {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	var errs []error
	if d.number != "" {
		errs = append(errs, d.throttle(false))
	}
	if d.mounted {
		if _, err := tool(ctx, "umount", d.point); err != nil {
			_, err = tool(ctx, "umount", "--lazy", d.point)
			errs = append(errs, err)
		}
		d.mounted = false
	}
	if d.node != "" {
		_, err := tool(ctx, "losetup", "-d", d.node)
		errs = append(errs, err)
	}
	if err := os.Remove(d.image); err != nil && !errors.Is(err, os.ErrNotExist) {
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}
