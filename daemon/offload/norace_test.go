//go:build !race

package offload

const raceDetector = false

// callStep: of the calls that are made to fail one by one, each is.
const callStep = 1
