package main

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"maps"
	"strings"
	"sync"

	"github.com/coreos/go-systemd/v22/journal"

	"bothy/daemon/state"
)

// newLogger writes one line of text a record; in the journal, which keeps its own
// time, that line is the message, and each attribute is a field of its own as well.
func newLogger(c console) *slog.Logger {
	if !c.journal {
		return slog.New(slog.NewTextHandler(c.err, nil))
	}
	return slog.New(newJournalHandler(c.err, journal.Send))
}

// journalHandler sends records by the journal's own protocol
// (https://systemd.io/JOURNAL_NATIVE_PROTOCOL/). What cannot be sent is written to
// standard error, each line with the priority prefix of sd-daemon(3).
type journalHandler struct {
	line   *journalLine
	text   slog.Handler      // writes into line.buf
	fields map[string]string // of the attributes that all records have
	group  string            // of the attributes to come, with a final '_'
}

// journalLine is shared by a handler and all that were derived from it.
type journalLine struct {
	send func(message string, p journal.Priority, fields map[string]string) error
	mu   sync.Mutex
	buf  bytes.Buffer // guarded by mu
	out  io.Writer    // guarded by mu
}

func newJournalHandler(w io.Writer, send func(string, journal.Priority, map[string]string) error) *journalHandler {
	line := &journalLine{out: w, send: send}
	text := slog.NewTextHandler(&line.buf, &slog.HandlerOptions{ReplaceAttr: dropTimeAndLevel})
	return &journalHandler{line: line, text: text}
}

func dropTimeAndLevel(groups []string, a slog.Attr) slog.Attr {
	if len(groups) == 0 && (a.Key == slog.TimeKey || a.Key == slog.LevelKey) {
		return slog.Attr{}
	}
	return a
}

func priority(l slog.Level) journal.Priority {
	switch {
	case l >= slog.LevelError:
		return journal.PriErr
	case l >= slog.LevelWarn:
		return journal.PriWarning
	case l >= slog.LevelInfo:
		return journal.PriInfo
	}
	return journal.PriDebug
}

func (h *journalHandler) Enabled(ctx context.Context, l slog.Level) bool {
	return h.text.Enabled(ctx, l)
}

func (h *journalHandler) Handle(ctx context.Context, r slog.Record) error {
	fields := maps.Clone(h.fields)
	if fields == nil {
		fields = map[string]string{}
	}
	r.Attrs(func(a slog.Attr) bool {
		addFields(fields, h.group, a)
		return true
	})
	if code, ok := fields["BOTHY_CONDITION"]; ok { // the catalogue has an entry for it
		fields["MESSAGE_ID"] = state.Code(code).MessageID()
	}
	p := priority(r.Level)

	h.line.mu.Lock()
	defer h.line.mu.Unlock()
	h.line.buf.Reset()
	if err := h.text.Handle(ctx, r); err != nil {
		return err
	}
	text := h.line.buf.String()
	if h.line.send(strings.TrimSuffix(text, "\n"), p, fields) == nil {
		return nil
	}
	_, err := io.WriteString(h.line.out, "<"+string('0'+rune(p))+">"+text)
	return err
}

func (h *journalHandler) WithAttrs(attrs []slog.Attr) slog.Handler {
	fields := maps.Clone(h.fields)
	if fields == nil {
		fields = map[string]string{}
	}
	for _, a := range attrs {
		addFields(fields, h.group, a)
	}
	return &journalHandler{line: h.line, text: h.text.WithAttrs(attrs), fields: fields, group: h.group}
}

func (h *journalHandler) WithGroup(name string) slog.Handler {
	return &journalHandler{line: h.line, text: h.text.WithGroup(name), fields: h.fields, group: h.group + name + "_"}
}

// addFields adds an attribute under a name that the journal takes: capitals, digits
// and '_', with ours in front, so that nothing can pass for a field of the journal's.
func addFields(to map[string]string, group string, a slog.Attr) {
	value := a.Value.Resolve()
	if value.Kind() == slog.KindGroup {
		if a.Key != "" {
			group += a.Key + "_"
		}
		for _, inner := range value.Group() {
			addFields(to, group, inner)
		}
		return
	}
	if a.Key == "" {
		return
	}
	name := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z':
			return r - 'a' + 'A'
		case r >= 'A' && r <= 'Z', r >= '0' && r <= '9':
			return r
		}
		return '_'
	}, group+a.Key)
	const longestName = 64 // of a field, by the protocol
	name = "BOTHY_" + name
	to[name[:min(len(name), longestName)]] = state.Clean(value.String())
}
