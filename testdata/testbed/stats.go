package testbed

import (
	"context"
	"fmt"
)

// blockStats is as much of what QEMU counts for a disk as is asked here.
type blockStats struct {
	NodeName string `json:"node-name"`
	Stats    struct {
		Reads   int64 `json:"rd_operations"`
		Writes  int64 `json:"wr_operations"`
		Failed  int64 `json:"failed_wr_operations"`
		Invalid int64 `json:"invalid_wr_operations"`
		Discard int64 `json:"unmap_operations"`
	}
}

// WritesTo is how many requests to change it this guest has sent to the disk
// of an image, over all times it was plugged in: writes that were carried out
// and writes that were refused, and discards. It is counted by QEMU, in front of
// the image and whatever is between.
func (g *Guest) WritesTo(image string) int64 {
	g.t.Helper()
	n := g.written[image]
	if g.machine == nil {
		return n
	}
	ctx, cancel := context.WithTimeout(context.Background(), deviceLimit)
	defer cancel()
	for _, d := range g.present() {
		if d.Image != image {
			continue
		}
		now, err := g.statsNow(ctx, d)
		if err != nil {
			g.t.Fatalf("count writes to %s: %v", image, err)
		}
		n += now.changes()
	}
	return n
}

// Reads counts the read requests that a plugged disk has answered.
func (g *Guest) Reads(id string) int {
	g.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), deviceLimit)
	defer cancel()
	s, err := g.statsNow(ctx, g.disks[id])
	if err != nil {
		g.t.Fatalf("count reads of %s: %v", id, err)
	}
	return int(s.Stats.Reads)
}

// Images lists the images of all disks that this guest was ever given.
func (g *Guest) Images() (list []string) {
	seen := map[string]bool{}
	for image := range g.written {
		seen[image] = true
	}
	for _, d := range g.present() {
		seen[d.Image] = true
	}
	for image := range seen {
		list = append(list, image)
	}
	return list
}

// present are the disks that are plugged in, and the media in the reader.
func (g *Guest) present() (list []*disk) {
	for _, d := range g.disks {
		list = append(list, d)
	}
	for _, s := range g.slots {
		if s.medium != nil {
			list = append(list, s.medium)
		}
	}
	return list
}

// keepWrites adds a disk's count to its image's, before the disk goes.
func (g *Guest) keepWrites(ctx context.Context, d *disk) error {
	s, err := g.statsNow(ctx, d)
	if g.written == nil {
		g.written = map[string]int64{}
	}
	g.written[d.Image] += s.changes()
	return err
}

func (g *Guest) statsNow(ctx context.Context, d *disk) (blockStats, error) {
	var list []blockStats
	if err := g.machine.qmp.execute(ctx, "query-blockstats", nil, &list); err != nil {
		return blockStats{}, err
	}
	for _, s := range list {
		if s.NodeName == d.nodes[len(d.nodes)-1] {
			return s, nil
		}
	}
	return blockStats{}, fmt.Errorf("QEMU has no account of %s", d.ID)
}

// changes counts what was sent to change the disk, carried out or refused.
func (s blockStats) changes() int64 {
	return s.Stats.Writes + s.Stats.Failed + s.Stats.Invalid + s.Stats.Discard
}
