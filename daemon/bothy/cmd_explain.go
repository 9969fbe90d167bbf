package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"regexp"

	"github.com/spf13/cobra"

	"bothy/daemon/status"
	"bothy/daemon/volume"
	"bothy/policy"
	"bothy/udev"
)

type explainFlags struct {
	policy, properties, socket string
	sizeBytes                  int64
	asJSON                     bool
}

// isOffload tells the id of an offload from a device: the box, eight letters and
// digits as its ledger has made them, and a number. The kernel names nothing so.
var isOffload = regexp.MustCompile(`^[a-z2-7]{8}-[1-9][0-9]{0,18}$`)

func explainCommand(c console) *cobra.Command {
	var f explainFlags
	cmd := command(&cobra.Command{
		Use:   "explain DEVICE | OFFLOAD | --properties FILE [flags]",
		Short: "Say which rule takes a device and why, or why a card was held or released",
		Long: `Explain asks the policy about one device, named by its node (/dev/sdb1, or a link
such as those below /dev/disk) or by its kernel name (sdb1), and tells the
decision and what every rule said. Nothing is mounted or opened: when a rule asks
what a card holds, that is said and left open.

With --properties the device need not be there: FILE holds what
'udevadm info -q property /dev/sdb1' printed, perhaps on another machine ('-'
reads standard input).

An OFFLOAD is named by its id, such as abcdefgh-12; 'bothy list offloads' tells
them. Then the running daemon is asked, and every verdict is told that it ever
had, oldest first, with its moment and its reason: at most the newest 1000. It
needs root or membership of group bothy. Exit 1: it had no verdict yet. 2: there
is no such offload. With --json it prints what /v1/offloads/OFFLOAD/verdicts
answers.`,
		Example: `  bothy explain /dev/sdb1
  bothy explain abcdefgh-12
  udevadm info -q property /dev/sdb1 | bothy explain --properties - --policy ./policy.toml`,
	}, func(_ *cobra.Command, args []string) error {
		if (len(args) == 1) == (f.properties != "") || len(args) > 1 {
			return errors.New("name one device or one offload, or one file with --properties")
		}
		if f.asJSON && (len(args) == 0 || !isOffload.MatchString(args[0])) {
			return errors.New("--json goes with an offload, such as abcdefgh-12")
		}
		return nil
	}, func(cmd *cobra.Command, args []string) error {
		if len(args) == 1 && isOffload.MatchString(args[0]) {
			return explainOffload(cmd, c, &f, args[0])
		}
		p, err := loadPolicy(c, f.policy)
		if err != nil {
			return err
		}
		var facts policy.Facts
		if f.properties != "" {
			facts, err = factsOfProperties(f.properties, f.sizeBytes)
		} else {
			facts, err = factsOfDevice(args[0])
		}
		if err != nil {
			return err
		}
		return explain(c, p, facts)
	})
	fl := cmd.Flags()
	fl.StringVar(&f.policy, "policy", "/etc/bothy/policy.toml", "the policy `FILE`")
	fl.StringVar(&f.properties, "properties", "", "read udev properties from `FILE` instead of looking at a device")
	fl.Int64Var(&f.sizeBytes, "size", 0, "with --properties: the medium's size in `BYTES`, where the properties do not tell it")
	fl.BoolVar(&f.asJSON, "json", false, "with an offload: print one JSON object")
	fl.StringVar(&f.socket, "socket", defaultSocket, "with an offload: `PATH` of the daemon's control socket")
	return cmd
}

// explainOffload tells why a card was held or released at any moment.
func explainOffload(cmd *cobra.Command, c console, f *explainFlags, id string) error {
	client, err := dial(f.socket)
	if err != nil {
		return err
	}
	defer client.Close()
	list, err := client.Verdicts(cmd.Context(), id)
	if err != nil {
		return asked(err, "'bothy list offloads' tells the ids of offloads")
	}
	err = show(c, f.asJSON, list, func(w io.Writer) error { return status.VerdictsText(w, list) })
	return found(len(list.Verdicts), err)
}

func explain(c console, p *policy.Policy, facts policy.Facts) error {
	d := p.Decide(facts)
	fmt.Fprint(c.out, d.Explain())
	if d.Outcome == policy.OutcomeNeedsTree {
		fmt.Fprintln(c.out, "the daemon mounts it read-only, looks, and decides then")
	}
	return nil
}

// factsOfProperties takes a medium that is not here. It cannot be told of it
// whether a system runs from it.
func factsOfProperties(path string, sizeBytes int64) (policy.Facts, error) {
	const hint = "FILE must hold the output of 'udevadm info -q property DEVICE'"
	data, err := readInput(path)
	if err != nil {
		return policy.Facts{}, refuse(hint, "%w", err)
	}
	props, err := udev.ParseProperties(bytes.NewReader(data))
	if err != nil {
		return policy.Facts{}, refuse(hint, "read %s: %w", path, err)
	}
	dev := udev.DeviceFromProperties(props)
	switch {
	case sizeBytes != 0:
		dev.SizeBytes = sizeBytes
	case dev.SizeBytes == 0 && dev.FSType != "":
		return policy.Facts{}, refuse("add --size BYTES; 'lsblk -b -n -o SIZE DEVICE' prints it",
			"explain: these properties do not tell how large the medium is")
	}
	return factsOf(dev, false), nil
}

// factsOfDevice takes a medium that is here.
func factsOfDevice(arg string) (policy.Facts, error) {
	const hint = "name a node such as /dev/sdb1; 'lsblk' lists them"
	name := filepath.Base(arg)
	if filepath.Base(arg) != arg {
		target, err := filepath.EvalSymlinks(arg)
		if err != nil {
			return policy.Facts{}, refuse(hint, "explain: %w", err)
		}
		name = filepath.Base(target)
	}
	tree := udev.Tree{Sys: "/sys", Run: "/run/udev"}
	dev, err := tree.Lookup(name)
	if errors.Is(err, fs.ErrNotExist) {
		return policy.Facts{}, refuse(hint, "explain: %s is no block device of this machine", printable(arg))
	}
	if err != nil {
		return policy.Facts{}, fmt.Errorf("explain %s: %w", printable(arg), err)
	}
	system, err := volume.SystemDisks()
	if err != nil {
		return policy.Facts{}, fmt.Errorf("explain %s: %w", printable(arg), err)
	}
	return factsOf(dev, restsOn(tree, dev, system, map[string]bool{})), nil
}

// restsOn reports whether dev lies on one of disks, itself or through what it is
// built on (device mapper, md). A layer that vanished meanwhile is left out.
func restsOn(tree udev.Tree, dev udev.Device, disks, seen map[string]bool) bool {
	if disks[dev.Name] || disks[dev.Disk] {
		return true
	}
	seen[dev.Name] = true
	for _, name := range dev.Slaves {
		if seen[name] {
			continue
		}
		if layer, err := tree.Lookup(name); err == nil && restsOn(tree, layer, disks, seen) {
			return true
		}
	}
	return false
}

func factsOf(dev udev.Device, runningSystem bool) policy.Facts {
	return policy.Facts{
		Label: dev.Label, UUID: dev.UUID, Serial: dev.Serial, Vendor: dev.Vendor, Model: dev.Model,
		Slot: dev.Slot, FS: dev.FSType, Bus: dev.Bus, SizeBytes: dev.SizeBytes,
		Removable: dev.Removable, ReadOnly: dev.ReadOnly, Properties: dev.Properties,
		RunningSystem: runningSystem, HasFileSystem: dev.FSUsage == "filesystem",
		HasPartitions: len(dev.Partitions) > 0,
	}
}
