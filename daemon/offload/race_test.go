//go:build race

package offload

const raceDetector = true

// callStep: the race detector makes each run take ten times as long, and what races at
// one failing call does so at those beside it.
const callStep = 10
