//go:build race

package daemon

// raceDetector: what counts goroutines and memory over hundreds of cycles, and
// what fails at each of hundreds of calls, pays for it tenfold and gains nothing.
const raceDetector = true

// seedsByDefault are few where each history takes ten times as long.
const seedsByDefault = 6

// callStep: likewise, of the calls that are made to fail one by one each fifth is.
const callStep = 5
