package testbed

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
)

// buildInitrd packs the agent and the early modules into an initial RAM file
// system. It is made anew whenever either changes, which takes a second, so
// that a change to the agent does not cost a new root image.
func buildInitrd(ctx context.Context, arch architecture, cache, modules string) (string, error) {
	tmp, err := os.MkdirTemp(cache, "agent.tmp-")
	if err != nil {
		return "", err
	}
	defer os.RemoveAll(tmp)
	agent := filepath.Join(tmp, "agent")
	if err := goBuild(ctx, arch, "build", "-trimpath", "-buildvcs=false", "-ldflags=-s -w", "-o", agent, "bothy/testdata/testbed/agent"); err != nil {
		return "", err
	}
	archive, err := packInitrd(agent, modules)
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(archive)
	path := filepath.Join(cache, "initrd-"+hex.EncodeToString(sum[:8]))
	if _, err := os.Stat(path); err == nil {
		tidy(cache, path)
		return path, nil
	}
	unfinished := filepath.Join(tmp, "initrd")
	if err := os.WriteFile(unfinished, archive, 0o644); err != nil {
		return "", err
	}
	return path, os.Rename(unfinished, path)
}

func packInitrd(agent, modules string) ([]byte, error) {
	program, err := os.ReadFile(agent)
	if err != nil {
		return nil, err
	}
	var archive cpio
	archive.add("dev", modeDir|0o755, nil)
	archive.add("dev/console", modeChar|0o600, nil)
	archive.add("modules", modeDir|0o755, nil)
	archive.add("init", modeFile|0o755, program)
	files, err := filepath.Glob(filepath.Join(modules, "*.ko"))
	if err != nil {
		return nil, err
	}
	if len(files) == 0 {
		return nil, fmt.Errorf("pack initrd: no modules in %s", modules)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			return nil, err
		}
		archive.add("modules/"+filepath.Base(file), modeFile|0o644, text)
	}
	return archive.finish(), nil
}

// Bits of st_mode, and the numbers of the console device, which the kernel
// opens before anything of ours could have made it.
const (
	modeFile     = 0o100000
	modeDir      = 0o040000
	modeChar     = 0o020000
	consoleMajor = 5
	consoleMinor = 1
)

// cpio writes the "newc" archive format that the kernel unpacks. Source: the
// kernel's Documentation/driver-api/early-userspace/buffer-format.rst.
type cpio struct {
	buf   bytes.Buffer
	inode int
}

func (c *cpio) add(name string, mode int, content []byte) {
	c.inode++
	major, minor := 0, 0
	if mode&modeChar == modeChar && mode&modeDir == 0 && mode&modeFile == 0 {
		major, minor = consoleMajor, consoleMinor
	}
	fmt.Fprintf(&c.buf, "070701%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X",
		c.inode, mode, 0, 0, 1, 0, len(content), 0, 0, major, minor, len(name)+1, 0)
	c.buf.WriteString(name + "\x00")
	c.pad()
	c.buf.Write(content)
	c.pad()
}

func (c *cpio) pad() {
	for c.buf.Len()%4 != 0 {
		c.buf.WriteByte(0)
	}
}

func (c *cpio) finish() []byte {
	c.add("TRAILER!!!", 0, nil)
	return c.buf.Bytes()
}
