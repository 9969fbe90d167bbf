//go:build race

package offload

const raceDetector = true
