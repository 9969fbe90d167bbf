package testbed

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
)

// TryExtract is Extract for an image that may be damaged. FAT and exFAT have no
// journal: what a power cut left half done there is repaired, on the copy, when
// the image cannot be read as it is. Repaired tells that it was.
func TryExtract(fs FS, image, dir string) (repaired bool, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), toolLimit)
	defer cancel()
	if err = extract(ctx, fs, image, dir); err == nil || repairers[fs] == nil {
		return false, err
	}
	mended := image + ".mended"
	defer os.Remove(mended)
	if cpErr := command(ctx, "cp", "--sparse=always", image, mended); cpErr != nil {
		return false, cpErr
	}
	if repairErr := repair(ctx, fs, mended); repairErr != nil {
		return false, errors.Join(err, repairErr)
	}
	if err := os.RemoveAll(dir); err != nil {
		return true, err
	}
	return true, extract(ctx, fs, mended, dir)
}

// repairers are the file systems' own programs, which ask nothing.
var repairers = map[FS][]string{FAT32: {"fsck.vfat", "-a", "-w"}, ExFAT: {"fsck.exfat", "-y"}}

// repair lets the file system's own checker mend an image; its exit code 1 says
// that it has.
func repair(ctx context.Context, fs FS, image string) error {
	err := command(ctx, repairers[fs][0], append(repairers[fs][1:], image)...)
	if exit := (*exec.ExitError)(nil); errors.As(err, &exit) && exit.ExitCode() == 1 {
		return nil
	}
	return err
}

func extract(ctx context.Context, fs FS, image, dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	if fs == FAT32 {
		if err := command(ctx, "mcopy", "-s", "-m", "-n", "-i", image, "::/", dir); err != nil {
			return fmt.Errorf("extract %s image: %w", fs, err)
		}
		return nil
	}
	duplicate := image + ".duplicate"
	defer os.Remove(duplicate)
	err := command(ctx, "cp", "--sparse=always", image, duplicate)
	if err == nil {
		// A journalled file system is replayed by the mount, so not read-only.
		readOnly := fs == ExFAT || fs == NTFS
		err = withMount(ctx, duplicate, fs, readOnly, func(mounted string) error {
			return command(ctx, "cp", "-R", "--preserve=timestamps", mounted+"/.", dir)
		})
	}
	if err != nil {
		return fmt.Errorf("extract %s image: %w", fs, err)
	}
	return nil
}
