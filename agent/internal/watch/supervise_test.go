package watch

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// diary notes the order in which parts end.
type diary struct {
	mu    sync.Mutex
	ended []string
}

func (d *diary) part(name string, takes time.Duration) Part {
	return Part{Name: name, Run: func(ctx context.Context) error {
		<-ctx.Done()
		time.Sleep(takes)
		d.mu.Lock()
		defer d.mu.Unlock()
		d.ended = append(d.ended, name)
		return nil
	}}
}

// order is who ended, in order.
func (d *diary) order() []string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.Clone(d.ended)
}

func TestStagesStopLastFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var d diary
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(time.Minute, cancel)
		err := Supervise(ctx, slog.New(slog.DiscardHandler),
			Stage{d.part("history", 0)}, Stage{d.part("uplink", time.Second)}, Stage{d.part("watch", 2*time.Second)})
		if err != nil {
			t.Fatal(err)
		}
		if want := []string{"watch", "uplink", "history"}; !slices.Equal(d.order(), want) {
			t.Errorf("ended %q, want %q", d.order(), want)
		}
	})
}

func TestOneFailedPartStopsAll(t *testing.T) {
	broken := errors.New("port taken")
	for _, c := range []struct {
		name string
		err  error
	}{{"with its error", broken}, {"without an error", nil}} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var d diary
				bad := Part{Name: "page", Run: func(context.Context) error { return c.err }}
				err := Supervise(t.Context(), slog.New(slog.DiscardHandler), Stage{d.part("history", 0)}, Stage{bad, d.part("uplink", 0)})
				if err == nil || (c.err != nil && !errors.Is(err, c.err)) {
					t.Errorf("error %v, want one that wraps %v", err, c.err)
				}
				if want := []string{"uplink", "history"}; !slices.Equal(d.order(), want) {
					t.Errorf("ended %q, want %q", d.order(), want)
				}
			})
		})
	}
}

func TestPartThatHangsIsLeftBehind(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var d diary
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		began := time.Now()
		err := Supervise(ctx, slog.New(slog.DiscardHandler), Stage{d.part("history", 0)}, Stage{d.part("hangs", time.Hour)})
		if err == nil || time.Since(began) > 2*slowStop {
			t.Errorf("returned %v after %v; want an error within %v", err, time.Since(began), 2*slowStop)
		}
		if !slices.Equal(d.order(), []string{"history"}) {
			t.Errorf("ended %q: the others must still be stopped", d.order())
		}
		time.Sleep(time.Hour) // let the straggler end with the test
	})
}
