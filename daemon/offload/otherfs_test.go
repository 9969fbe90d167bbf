package offload

import (
	"errors"
	"io"
	"strings"
)

// otherFS is a card or a drive that gives a file otherwise than it is: each whose
// name ends so.
type otherFS struct {
	FS
	ending string
	as     func(Source) Source
}

func (x otherFS) Open(name string) (Source, error) { return x.given(x.FS.Open, name) }

func (x otherFS) OpenMedium(name string) (Source, error) { return x.given(x.FS.OpenMedium, name) }

func (x otherFS) given(open func(string) (Source, error), name string) (Source, error) {
	src, err := open(name)
	if err == nil && strings.HasSuffix(name, x.ending) {
		src = x.as(src)
	}
	return src, err
}

// sized is a file that says it has another length.
func sized(by int64) func(Source) Source {
	return func(s Source) Source { return sizedSource{s, by} }
}

type sizedSource struct {
	Source
	by int64
}

func (s sizedSource) Size() int64 { return s.Source.Size() + s.by }

// silent is a file that gives nothing from some byte on, and no error either.
func silent(from int64) func(Source) Source {
	return func(s Source) Source { return silentSource{s, from} }
}

type silentSource struct {
	Source
	from int64
}

func (s silentSource) ReadAt(p []byte, at int64) (int, error) {
	if at >= s.from {
		return 0, nil
	}
	n, err := s.Source.ReadAt(p[:min(int64(len(p)), s.from-at)], at)
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return n, err
}
