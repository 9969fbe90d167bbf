package ledger

import (
	"encoding/binary"
	"fmt"
	"strconv"

	"github.com/zeebo/xxh3"
)

// sealer computes the seal of a row. It is not a signature: it finds accidents,
// such as a flipped bit or a row put together from two, not a forger.
type sealer struct{ text []byte }

// newSealer begins the seal of one row of table. Every value goes in as its
// length and its text, so that neighbours cannot run into each other.
func newSealer(table string) *sealer {
	s := &sealer{text: make([]byte, 0, 256)}
	return s.add(table)
}

func (s *sealer) add(values ...string) *sealer {
	for _, v := range values {
		s.text = binary.AppendUvarint(s.text, uint64(len(v)))
		s.text = append(s.text, v...)
	}
	return s
}

func (s *sealer) addInt(values ...int64) *sealer {
	for _, v := range values {
		s.add(strconv.FormatInt(v, 10))
	}
	return s
}

func (s *sealer) addMoment(m momentColumns) *sealer {
	return s.add(m.wall).addInt(m.trusted).add(m.boot).addInt(m.sinceBoot)
}

func (s *sealer) sum() int64 { return int64(xxh3.Hash(s.text)) }

// broken is the error for a row whose seal does not fit.
func broken(table, which string) error {
	return fmt.Errorf("%w: the row of %s for %q was changed after it was written", ErrDamaged, table, which)
}

func sealBox(id string, version int) int64 {
	return newSealer("box").add(id).addInt(int64(version)).sum()
}
