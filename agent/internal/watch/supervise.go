package watch

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"
)

// Part is one long-lived part of the process. Run returns when its context
// ends, or earlier with the error that it cannot live with.
type Part struct {
	Name string
	Run  func(context.Context) error
}

// Stage is parts that start and stop together.
type Stage []Part

// slowStop is how long a stage may take to end before it is reported, and
// then left behind: a process that cannot stop is killed with its last
// messages unsent, which is worse.
const slowStop = 10 * time.Second

// Supervise runs all stages and returns when every part has ended. It stops
// when ctx ends or one part fails, and then ends the last stage first, so
// list what others lean on first: history, then what reads it, then what
// feeds it. The error names the parts that failed.
func Supervise(ctx context.Context, log *slog.Logger, stages ...Stage) error {
	failed := make(chan error, 1)
	running := make([]*group, 0, len(stages))
	for _, stage := range stages {
		running = append(running, launch(stage, failed))
	}
	var first error
	select {
	case <-ctx.Done():
	case first = <-failed:
	}
	errs := []error{first}
	for i := len(running) - 1; i >= 0; i-- {
		if !running[i].stop() {
			log.Error("parts did not stop in time", "parts", running[i].names)
			errs = append(errs, fmt.Errorf("parts did not stop in time: %v", running[i].names))
		}
	}
	return errors.Join(errs...)
}

// group is a running stage.
type group struct {
	names  []string
	cancel context.CancelFunc
	ended  chan struct{}
}

// launch starts the parts of a stage under a context of its own: stopping one
// stage must not stop the stage it leans on. The first failure goes to failed.
func launch(stage Stage, failed chan<- error) *group {
	ctx, cancel := context.WithCancel(context.Background())
	g := &group{cancel: cancel, ended: make(chan struct{})}
	var wg sync.WaitGroup
	for _, part := range stage {
		g.names = append(g.names, part.Name)
		wg.Go(func() {
			err := part.Run(ctx)
			if ctx.Err() != nil {
				return // it was told to stop
			}
			if err == nil {
				err = errors.New("ended by itself")
			}
			select {
			case failed <- fmt.Errorf("%s: %w", part.Name, err):
			default: // another part failed first and the stop is under way
			}
		})
	}
	go func() {
		wg.Wait()
		close(g.ended)
	}()
	return g
}

// stop ends a stage and reports whether it ended in time.
func (g *group) stop() bool {
	g.cancel()
	select {
	case <-g.ended:
		return true
	case <-time.After(slowStop):
		return false
	}
}
