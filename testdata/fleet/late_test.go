package fleet

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"net/http"
	"slices"
	"testing"
	"time"

	"github.com/klauspost/compress/s2"
	"google.golang.org/protobuf/encoding/protowire"

	"bothy/testdata/judges"
)

// writeRequest is one sample as the Prometheus remote-write specification 1.0 has it:
// a WriteRequest in protobuf, compressed as a block of Snappy. (Samples of the
// past cannot be had from an agent: it sends only what is newer than itself.)
func writeRequest(box string, at time.Time) []byte {
	field := func(to []byte, number protowire.Number, value []byte) []byte {
		return protowire.AppendBytes(protowire.AppendTag(to, number, protowire.BytesType), value)
	}
	var line []byte
	for _, l := range [][2]string{{"__name__", "bothy_build_info"}, {"box", box}} { // sorted by name
		line = field(line, 1, field(field(nil, 1, []byte(l[0])), 2, []byte(l[1])))
	}
	sample := protowire.AppendFixed64(protowire.AppendTag(nil, 1, protowire.Fixed64Type), math.Float64bits(1))
	sample = protowire.AppendVarint(protowire.AppendTag(sample, 2, protowire.VarintType), uint64(at.UnixMilli()))
	return s2.EncodeSnappy(nil, field(nil, 1, field(line, 2, sample)))
}

func (p *prometheus) receive(ctx context.Context, box string, at time.Time) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://"+p.address+"/api/v1/write", bytes.NewReader(writeRequest(box, at)))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Encoding", "snappy")
	req.Header.Set("Content-Type", "application/x-protobuf")
	req.Header.Set("X-Prometheus-Remote-Write-Version", "0.1.0")
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if res.StatusCode/100 != 2 {
		why, _ := io.ReadAll(res.Body) // shown only
		return fmt.Errorf("%s: %s", res.Status, bytes.TrimSpace(why))
	}
	return nil
}

// A box that comes back after a week sends a week, while the shore has the present of
// others already. With the shipped settings all of it is taken; beyond what they
// say it is not, so that it is they that this rests on.
func TestShore_takesAWeek(t *testing.T) {
	t.Parallel()
	judges.Need(t, "prometheus")
	shore := newPrometheus(t)
	shore.targets()
	hurried(t, shore)
	shore.put("prometheus.yml", "shore.yml", "127.0.0.1:9090", shore.address)
	shore.start("shore.default")
	now := time.Now().Truncate(time.Second)
	if err := shore.receive(t.Context(), "skerry-1", now); err != nil {
		t.Fatal(err)
	}
	days := []int{9, 8, 7, 3, 1, 0} // eight and a bit is what an agent keeps
	for _, d := range days {
		at := now.AddDate(0, 0, -d)
		if err := shore.receive(t.Context(), "skerry-2", at); err != nil {
			t.Errorf("%d days old: %v", d, err)
		}
		if n, err := shore.number(`bothy_build_info{box="skerry-2"}`, float64(at.Unix())); err != nil || n != 1 {
			t.Errorf("%d days old: it is not there: %v", d, err)
		}
	}
	if err := shore.receive(t.Context(), "skerry-2", now.AddDate(0, 0, -slices.Max(days)-2)); err == nil {
		t.Error("what is eleven days old was taken as well")
	}
}
