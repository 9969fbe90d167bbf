package browser

import (
	"bytes"
	"crypto/sha256"
	"flag"
	"fmt"
	"image"
	"image/draw"
	"image/png"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"testing"

	"bothy/daemon/state"
	"bothy/daemon/status"
)

var picture = flag.Bool("picture", false, "make the README's picture of the page anew")

// The picture of the README: the page of an invented box, in the light and in the dark.
const (
	pictureFile   = "page.png"
	pictureOf     = "page.sum" // what the page was made of when the picture was taken
	pictureWidth  = 360
	pictureHeight = 640
	pictureGap    = 16
	pictureMost   = 150_000 // bytes
)

// pictured is a box that says that it is invented.
func pictured() *state.State {
	s := ordinary()
	s.Box.Name = "skerry-2 (invented)"
	return s
}

// essence is the checksum of all that the browser was given.
func essence(t *testing.T) string {
	t.Helper()
	var states state.Publisher
	states.Publish(pictured())
	h := status.Handler(status.Config{States: &states, Archive: archive{}, Report: reportOf})
	sum := sha256.New()
	for _, path := range []string{"/", "/page.css"} {
		answer := httptest.NewRecorder()
		h.ServeHTTP(answer, httptest.NewRequest(http.MethodGet, path, nil))
		if answer.Code != http.StatusOK {
			t.Fatalf("%s: %d", path, answer.Code)
		}
		sum.Write(answer.Body.Bytes())
	}
	return fmt.Sprintf("%x\n", sum.Sum(nil))
}

// The README has a picture, and it is of the page as it is now. What the picture's dots
// are is for people to look at; the Go library reads what it is.
func TestPicture(t *testing.T) {
	t.Parallel()
	if *picture {
		takePicture(t)
	}
	data, err := os.ReadFile(pictureFile)
	if err != nil {
		t.Fatal(err)
	}
	shown, err := png.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	if shown.Width != 2*pictureWidth+pictureGap || shown.Height != pictureHeight || len(data) > pictureMost {
		t.Errorf("the picture is %d by %d dots and %d bytes", shown.Width, shown.Height, len(data))
	}
	was, err := os.ReadFile(pictureOf)
	if err != nil {
		t.Fatal(err)
	}
	if is := essence(t); string(was) != is {
		t.Errorf("the page has changed since its picture was taken: go test ./testdata/browser -run Picture -picture, and look at it")
	}
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	m := regexp.MustCompile(`!\[([^\]]*)\]\(testdata/browser/page\.png\)`).FindSubmatch(readme)
	if m == nil || len(m[1]) < 80 || !bytes.Contains(m[1], []byte("nvented")) {
		t.Errorf("the README shows no picture with words that tell what is on it, and that it is invented: %q", m)
	}
}

func takePicture(t *testing.T) {
	c := newChromium(t)
	b := newBox(t, pictured())
	both := image.NewNRGBA(image.Rect(0, 0, 2*pictureWidth+pictureGap, pictureHeight)) // what is between them is clear
	for i, dark := range []bool{false, true} {
		p := c.open(t, b.url("/"), glass{Width: pictureWidth, Dark: dark})
		p.becomes(`document.body.classList.contains("live")`)
		p.size(pictureWidth, pictureHeight)
		one, err := png.Decode(bytes.NewReader(p.picture()))
		if err != nil {
			t.Fatal(err)
		}
		draw.Draw(both, image.Rect(0, 0, pictureWidth, pictureHeight).Add(image.Pt(i*(pictureWidth+pictureGap), 0)), one, image.Point{}, draw.Src)
	}
	var out bytes.Buffer
	if err := (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&out, both); err != nil {
		t.Fatal(err)
	}
	save(t, ".", pictureFile, out.Bytes())
	save(t, ".", pictureOf, []byte(essence(t)))
}
