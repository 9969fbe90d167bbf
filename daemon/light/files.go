package light

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// files is how the writer reaches the LEDs: small text files, one per attribute,
// that do something when they are written.
type files interface {
	// Read returns the content of an attribute of an LED without the newline.
	Read(led, attribute string) (string, error)
	// Write gives an attribute a value in one write; it never makes a file.
	Write(led, attribute, value string) error
}

// sysfs is the real thing, below root.
type sysfs struct{ root string }

func (f sysfs) Read(led, attribute string) (string, error) {
	data, err := os.ReadFile(filepath.Join(f.root, led, attribute)) // a page at most
	return strings.TrimSuffix(string(data), "\n"), err
}

func (f sysfs) Write(led, attribute, value string) (err error) {
	file, err := os.OpenFile(filepath.Join(f.root, led, attribute), os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = file.WriteString(value + "\n")
	if closed := file.Close(); err == nil {
		err = closed
	}
	return err
}

// checkName accepts what can be the name of an LED: one plain element of a path.
func checkName(led string) error {
	if led == "" || led == "." || led == ".." || len(led) > 255 || strings.ContainsAny(led, "/\x00") {
		return fmt.Errorf("%q is not the name of an LED", led)
	}
	return nil
}
