package main

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"sync"
)

// newLogger writes one line of text a record. In the journal, which keeps its
// own time, a line starts with the priority prefix of sd-daemon(3) instead.
func newLogger(c console) *slog.Logger {
	if !c.journal {
		return slog.New(slog.NewTextHandler(c.err, nil))
	}
	return slog.New(newJournalHandler(c.err))
}

// journalHandler puts a priority before what a text handler writes.
type journalHandler struct {
	line *journalLine
	text slog.Handler // writes into line.buf
}

// journalLine is shared by a handler and all that were derived from it.
type journalLine struct {
	mu  sync.Mutex
	buf bytes.Buffer // guarded by mu
	out io.Writer    // guarded by mu
}

func newJournalHandler(w io.Writer) *journalHandler {
	line := &journalLine{out: w}
	text := slog.NewTextHandler(&line.buf, &slog.HandlerOptions{ReplaceAttr: dropTimeAndLevel})
	return &journalHandler{line: line, text: text}
}

func dropTimeAndLevel(groups []string, a slog.Attr) slog.Attr {
	if len(groups) == 0 && (a.Key == slog.TimeKey || a.Key == slog.LevelKey) {
		return slog.Attr{}
	}
	return a
}

// priority maps a level to the numbers of syslog(3).
func priority(l slog.Level) string {
	switch {
	case l >= slog.LevelError:
		return "<3>"
	case l >= slog.LevelWarn:
		return "<4>"
	case l >= slog.LevelInfo:
		return "<6>"
	}
	return "<7>"
}

func (h *journalHandler) Enabled(ctx context.Context, l slog.Level) bool {
	return h.text.Enabled(ctx, l)
}

func (h *journalHandler) Handle(ctx context.Context, r slog.Record) error {
	h.line.mu.Lock()
	defer h.line.mu.Unlock()
	h.line.buf.Reset()
	h.line.buf.WriteString(priority(r.Level))
	if err := h.text.Handle(ctx, r); err != nil {
		return err
	}
	_, err := h.line.out.Write(h.line.buf.Bytes())
	return err
}

func (h *journalHandler) WithAttrs(attrs []slog.Attr) slog.Handler {
	return &journalHandler{line: h.line, text: h.text.WithAttrs(attrs)}
}

func (h *journalHandler) WithGroup(name string) slog.Handler {
	return &journalHandler{line: h.line, text: h.text.WithGroup(name)}
}
