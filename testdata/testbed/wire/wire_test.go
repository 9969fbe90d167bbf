package wire

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestFrames_roundTrip(t *testing.T) {
	t.Parallel()
	var stream bytes.Buffer
	want := []Request{
		{ID: 1, Op: OpRun, Argv: []string{"printf", "a\x00b\n"}, TimeoutMillis: 5},
		{ID: 2, Op: OpWrite, Path: "/x", Offset: 1 << 40, Truncate: true, Mode: 0o755},
	}
	payloads := [][]byte{{}, {0, 1, 2, 0xff}}
	for i := range want {
		if err := Write(&stream, want[i], payloads[i]); err != nil {
			t.Fatal(err)
		}
	}
	for i := range want {
		var got Request
		payload, err := Read(&stream, &got)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want[i], got); diff != "" {
			t.Errorf("frame %d (-sent +received):\n%s", i, diff)
		}
		if !bytes.Equal(payload, payloads[i]) {
			t.Errorf("frame %d: payload %v, sent %v", i, payload, payloads[i])
		}
	}
	if _, err := Read(&stream, &Request{}); !errors.Is(err, io.EOF) {
		t.Errorf("at the end: %v, want io.EOF", err)
	}
}

func TestRead_refuses(t *testing.T) {
	t.Parallel()
	lengths := func(header, payload uint32, rest string) string {
		b := binary.BigEndian.AppendUint32(nil, header)
		return string(binary.BigEndian.AppendUint32(b, payload)) + rest
	}
	for name, stream := range map[string]string{
		"header beyond the bound":  lengths(MaxHeader+1, 0, ""),
		"payload beyond the bound": lengths(2, MaxPayload+1, "{}"),
		"lengths cut short":        "\x00\x00",
		"header cut short":         lengths(10, 0, "{}"),
		"payload cut short":        lengths(2, 5, "{}abc"),
		"header is not JSON":       lengths(2, 0, "no"),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := Read(bytes.NewReader([]byte(stream)), &Request{})
			if err == nil || errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
				t.Errorf("error %v, want a refusal", err)
			}
		})
	}
	if err := Write(io.Discard, Request{}, make([]byte, MaxPayload+1)); err == nil {
		t.Error("a payload beyond the bound was sent")
	}
}
