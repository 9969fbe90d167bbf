package main

import (
	"fmt"
	"io"
	"os"

	"golang.org/x/sys/unix"
)

// console is where a command's words go.
type console struct {
	out, err io.Writer
	// outTerminal and errTerminal say whether a person watches that stream.
	outTerminal, errTerminal bool
	// columns is the width of the terminal; 80 when it is not known.
	columns int
	// journal says that standard error goes to systemd's journal.
	journal bool
}

// processConsole describes the streams this process was started with.
func processConsole() console {
	c := console{
		out: os.Stdout, err: os.Stderr,
		outTerminal: isTerminal(os.Stdout), errTerminal: isTerminal(os.Stderr),
		columns: 80,
		journal: isJournal(os.Stderr, os.Getenv("JOURNAL_STREAM")),
	}
	if size, err := unix.IoctlGetWinsize(int(os.Stderr.Fd()), unix.TIOCGWINSZ); err == nil && size.Col > 20 {
		c.columns = int(size.Col)
	}
	return c
}

func isTerminal(f *os.File) bool {
	_, err := unix.IoctlGetTermios(int(f.Fd()), unix.TCGETS)
	return err == nil && os.Getenv("TERM") != "dumb"
}

// isJournal compares f with DEVICE:INODE, as systemd.exec(5) asks of a program
// that wants to know whether a stream really is the one the variable speaks of.
func isJournal(f *os.File, stream string) bool {
	if stream == "" {
		return false
	}
	var st unix.Stat_t
	if err := unix.Fstat(int(f.Fd()), &st); err != nil {
		return false
	}
	return stream == fmt.Sprintf("%d:%d", st.Dev, st.Ino)
}
