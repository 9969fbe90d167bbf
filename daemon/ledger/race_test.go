//go:build race

package ledger

// raceDetector: the damage tests run on one goroutine each and have nothing to
// gain from it, but pay tenfold. They look at fewer places then.
const raceDetector = true
