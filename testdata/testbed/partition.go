package testbed

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// partitionStart is the offset of the first partition and what each is aligned
// to, in bytes.
const partitionStart = 1 * MiB

// MakeDisk puts images side by side on one disk with an MBR partition table.
// The images themselves are only copied.
func MakeDisk(t testing.TB, images ...string) string {
	t.Helper()
	disk := filepath.Join(t.TempDir(), "disk.img")
	ctx, cancel := context.WithTimeout(context.Background(), toolLimit)
	defer cancel()
	if err := makeDisk(ctx, disk, images); err != nil {
		t.Fatalf("make partitioned disk: %v", err)
	}
	return disk
}

func makeDisk(ctx context.Context, disk string, images []string) error {
	table := strings.Builder{}
	table.WriteString("label: dos\n")
	starts := make([]int64, len(images))
	next := int64(partitionStart)
	for i, image := range images {
		info, err := os.Stat(image)
		if err != nil {
			return err
		}
		starts[i] = next
		fmt.Fprintf(&table, "start=%d, size=%d, type=7\n", next/512, info.Size()/512)
		next += (info.Size() + partitionStart - 1) / partitionStart * partitionStart
	}
	if err := makeSparse(disk, next); err != nil {
		return err
	}
	sfdisk := exec.CommandContext(ctx, "sfdisk", "-q", "--no-tell-kernel", disk)
	sfdisk.Stdin = strings.NewReader(table.String())
	if text, err := sfdisk.CombinedOutput(); err != nil {
		return fmt.Errorf("sfdisk: %w\n%s", err, text)
	}
	for i, image := range images {
		seek := fmt.Sprintf("seek=%d", starts[i])
		if err := command(ctx, "dd", "if="+image, "of="+disk, "bs=1M", "conv=notrunc,sparse", "oflag=seek_bytes", seek); err != nil {
			return err
		}
	}
	return nil
}

// PartitionImage copies partition number, counted from 1, out of a disk made
// by MakeDisk, for Extract.
func PartitionImage(t testing.TB, disk string, number int) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), toolLimit)
	defer cancel()
	text, err := output(ctx, "sfdisk", "-q", "-l", "-o", "Start,Sectors", disk)
	if err != nil {
		t.Fatal(err)
	}
	var start, sectors int64
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	if number < 1 || number >= len(lines) {
		t.Fatalf("copy partition %d of %s: it has %d", number, disk, len(lines)-1)
	}
	if _, err := fmt.Sscan(lines[number], &start, &sectors); err != nil {
		t.Fatalf("read partition table of %s: %v\n%s", disk, err, text)
	}
	part := filepath.Join(t.TempDir(), fmt.Sprintf("partition%d.img", number))
	err = command(ctx, "dd", "if="+disk, "of="+part, "bs=1M", "conv=sparse", "iflag=skip_bytes,count_bytes",
		fmt.Sprintf("skip=%d", start*512), fmt.Sprintf("count=%d", sectors*512))
	if err == nil {
		err = os.Truncate(part, sectors*512)
	}
	if err != nil {
		t.Fatal(err)
	}
	return part
}
