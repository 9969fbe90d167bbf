// Package wire is the conversation between the testbed's driver on the host
// and its agent in the guest: frames over one virtio-serial port.
//
// A frame is two big-endian 32-bit lengths, a JSON header of the first length
// and raw bytes of the second. Headers and payloads are bounded, so a stream
// that has lost its step ends in an error and not in a huge allocation. The
// port carries no addresses and no secrets; it does not survive one side being
// replaced in mid-frame, which is why each boot uses a connection of its own.
package wire

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
)

// Port is the name of the virtio-serial port, as sysfs shows it in the guest.
const Port = "testbed.agent"

// Bounds of one frame, in bytes.
const (
	MaxHeader  = 1 << 20
	MaxPayload = 20 << 20
)

// ChunkBytes is how much of a file one frame carries.
const ChunkBytes = 1 << 20

// MaxOutput is how much of each of stdout and stderr of a command is kept.
const MaxOutput = 8 << 20

// Op names what is asked of the agent.
type Op string

// What the agent can do.
const (
	OpRun   Op = "run"   // Argv with the payload as standard input
	OpRead  Op = "read"  // Length bytes of Path from Offset
	OpWrite Op = "write" // the payload to Path at Offset; Truncate first
	OpHTTP  Op = "http"  // Method on URL with the payload as body; then the beginnings of Files
	OpDisks Op = "disks" // what udev knows of each SCSI disk
	OpSeed  Op = "seed"  // mix the payload into the kernel's random numbers
)

// Request goes from host to guest. ID is chosen by the host, never 0.
type Request struct {
	ID            uint64
	Op            Op
	Argv          []string `json:",omitempty"`
	Dir           string   `json:",omitempty"`
	Env           []string `json:",omitempty"`
	TimeoutMillis int64    `json:",omitempty"`
	Path          string   `json:",omitempty"`
	Offset        int64    `json:",omitempty"`
	Length        int      `json:",omitempty"`
	Truncate      bool     `json:",omitempty"`
	Mode          uint32   `json:",omitempty"`
	Method        string   `json:",omitempty"`
	URL           string   `json:",omitempty"`
	IfNoneMatch   string   `json:",omitempty"` // header of the request
	Files         []string `json:",omitempty"`
}

// Response goes from guest to host. ID 0 is the agent's greeting, which
// carries nothing else. The payload of a run is stdout, of
// which StdoutBytes tells the length, followed by stderr.
type Response struct {
	ID          uint64
	Error       string              `json:",omitempty"`
	Exit        int                 `json:",omitempty"`
	TimedOut    bool                `json:",omitempty"`
	Cut         bool                `json:",omitempty"` // output was longer than MaxOutput
	StdoutBytes int                 `json:",omitempty"`
	EOF         bool                `json:",omitempty"`
	Mode        uint32              `json:",omitempty"`
	Status      int                 `json:",omitempty"`
	Header      map[string][]string `json:",omitempty"`
	Texts       []string            `json:",omitempty"` // of Files; "" for one that cannot be read
}

// Write sends one frame. Concurrent callers must take turns.
func Write(w io.Writer, header any, payload []byte) error {
	text, err := json.Marshal(header)
	if err != nil {
		return fmt.Errorf("encode frame header: %w", err)
	}
	if len(text) > MaxHeader || len(payload) > MaxPayload {
		return fmt.Errorf("send frame: header of %d and payload of %d bytes exceed the bounds", len(text), len(payload))
	}
	frame := make([]byte, 8, 8+len(text)+len(payload))
	binary.BigEndian.PutUint32(frame[0:4], uint32(len(text)))
	binary.BigEndian.PutUint32(frame[4:8], uint32(len(payload)))
	frame = append(append(frame, text...), payload...)
	if _, err := w.Write(frame); err != nil {
		return fmt.Errorf("send frame: %w", err)
	}
	return nil
}

// Read receives one frame into header and returns its payload. At a clean end
// of the stream the error is io.EOF itself.
func Read(r io.Reader, header any) ([]byte, error) {
	var lengths [8]byte
	if _, err := io.ReadFull(r, lengths[:]); err != nil {
		if err == io.EOF {
			return nil, io.EOF
		}
		return nil, fmt.Errorf("receive frame: %w", err)
	}
	headerBytes := binary.BigEndian.Uint32(lengths[0:4])
	payloadBytes := binary.BigEndian.Uint32(lengths[4:8])
	if headerBytes > MaxHeader || payloadBytes > MaxPayload {
		return nil, fmt.Errorf("receive frame: header of %d and payload of %d bytes exceed the bounds", headerBytes, payloadBytes)
	}
	body := make([]byte, int(headerBytes)+int(payloadBytes))
	if _, err := io.ReadFull(r, body); err != nil {
		return nil, fmt.Errorf("receive frame: %w", err)
	}
	if err := json.Unmarshal(body[:headerBytes], header); err != nil {
		return nil, fmt.Errorf("decode frame header: %w", err)
	}
	return body[headerBytes:], nil
}
