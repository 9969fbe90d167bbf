//go:build !race

package daemon

const raceDetector = false

const seedsByDefault = 20

// callStep: of the calls that are made to fail one by one, each is.
const callStep = 1
