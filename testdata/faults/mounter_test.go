//go:build linux && amd64

package faults

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"bothy/daemon/volume"
	"bothy/testdata/faults/tracer"
)

// mountOrders is what one life of a mounter is told, through its environment.
type mountOrders struct {
	Dir            string // of mount points
	Claims         string // a file
	Card, CardFS   string // device and file system
	Drive, DriveFS string
	Has            bool          // the drive must have its file
	Limit          time.Duration // of each call into a medium
	NothingLeft    bool          // it stays until nothing is mounted any more
	Traced         bool
}

// mountOrdersIn names the variable of the environment that makes this test program a
// mounter.
const mountOrdersIn = "BOTHY_FAULTS_MOUNT_ORDERS"

// step is what a mounter does, in this order.
type step string

const (
	swept        step = "left-overs swept away"
	cardMounted  step = "card mounted"
	cardRead     step = "card read"
	driveMounted step = "drive mounted"
	driveRead    step = "drive read"
	driveWritten step = "drive written"
	driveLetGo   step = "drive let go"
	cardLetGo    step = "card let go"
	nothingLeft  step = "nothing left"
)

// stepSaid is one line of what a mounter says.
type stepSaid struct {
	Step  step
	Err   string
	Wrong bool // bytes that are other ones
	Dirty bool // the card is said not to have been let go properly, which holds it
}

const cardFile, driveFile = "SKUA0001.JPG", "copy"

// mountedBytes are those of both files.
var mountedBytes = bytes.Repeat([]byte("invented seabird "), 300)

var errOtherBytes = errors.New("these are other bytes")

// beMounter is one life: it does what the box does with a card and a drive, by the
// same calls, and goes on as far as it can.
func beMounter(text string) error {
	var o mountOrders
	if err := json.Unmarshal([]byte(text), &o); err != nil {
		return fmt.Errorf("read orders: %w", err)
	}
	if o.Traced {
		if err := tracer.Filter(); err != nil {
			return err
		}
	}
	claims, err := os.OpenFile(o.Claims, os.O_WRONLY|os.O_APPEND|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	var card *volume.Mount
	say := func(s step, err error) bool {
		line := stepSaid{Step: s, Wrong: errors.Is(err, errOtherBytes), Dirty: s == cardMounted && card != nil && card.Dirty}
		if err != nil {
			line.Err = err.Error()
		}
		text, jsonErr := json.Marshal(line)
		_, writeErr := claims.Write(append(text, '\n'))
		if jsonErr != nil || writeErr != nil {
			panic(errors.Join(jsonErr, writeErr))
		}
		return err == nil
	}
	mounter := volume.Mounter{Dir: o.Dir, BusyWait: 100 * time.Millisecond}
	say(swept, mounter.Sweep())
	card, err = within(o, func(ctx context.Context) (*volume.Mount, error) {
		return mounter.Card(ctx, o.Card, o.Card, o.CardFS)
	})
	if say(cardMounted, err) {
		say(cardRead, readCard(card))
	}
	drive, err := within(o, func(ctx context.Context) (*volume.Mount, error) {
		return mounter.Drive(ctx, o.Drive, o.DriveFS, false)
	})
	if say(driveMounted, err) {
		if o.Has {
			say(driveRead, readIn(drive, driveFile))
		}
		say(driveWritten, writeDrive(drive))
		say(driveLetGo, letGo(o, drive))
	}
	if card != nil {
		say(cardLetGo, letGo(o, card))
	}
	if o.NothingLeft {
		say(nothingLeft, untilEmpty(o.Dir))
	}
	return claims.Close()
}

func within[T any](o mountOrders, call func(context.Context) (T, error)) (T, error) {
	ctx, cancel := context.WithTimeout(context.Background(), o.Limit)
	defer cancel()
	return call(ctx)
}

func letGo(o mountOrders, m *volume.Mount) error {
	_, err := within(o, func(ctx context.Context) (struct{}, error) { return struct{}{}, m.Unmount(ctx) })
	return err
}

func readCard(m *volume.Mount) error {
	if err := readIn(m, cardFile); err != nil {
		return err
	}
	diskseq, _, err := volume.CheckMedium(m.DiskNode)
	if err == nil && diskseq != m.DiskSeq {
		err = volume.ErrMediumChanged
	}
	return err
}

func readIn(m *volume.Mount, name string) error {
	root, err := os.OpenRoot(m.Path)
	if err != nil {
		return err
	}
	defer root.Close()
	f, err := root.Open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	data, err := io.ReadAll(f)
	if err == nil && !bytes.Equal(data, mountedBytes) {
		err = errOtherBytes
	}
	return err
}

func writeDrive(m *volume.Mount) (err error) {
	root, err := os.OpenRoot(m.Path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, root.Close()) }()
	f, err := root.Create(driveFile + ".new")
	if err != nil {
		return err
	}
	_, err = f.Write(mountedBytes)
	if err == nil {
		err = volume.SyncFile(f)
	}
	if err := errors.Join(err, f.Close()); err != nil {
		return err
	}
	if err := root.Rename(driveFile+".new", driveFile); err != nil {
		return err
	}
	if err := volume.SyncDir(root, "."); err != nil {
		return err
	}
	return volume.SyncFS(root)
}

// untilEmpty waits until a mount that came when nobody waited for it any more is undone
// again.
func untilEmpty(dir string) error {
	late := time.After(lifeLimit / 2)
	for again := time.Tick(10 * time.Millisecond); ; <-again {
		points, err := filepath.Glob(filepath.Join(dir, "*"))
		if err != nil || len(points) == 0 {
			return err
		}
		select {
		case <-late:
			return fmt.Errorf("there is %q still", points)
		default:
		}
	}
}
