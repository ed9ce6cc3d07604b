package watch

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"strokebank/rules"
)

func note(id, text string) rules.Command {
	return rules.Command{ID: id, Order: rules.Note, Unit: "AU-7", By: "M. Okoro", Role: rules.Act, Reason: text}
}

// answered is what came of a command.
type answered struct {
	out rules.Outcome
	err error
}

// submit gives a command without waiting for its answer.
func submit(ctx context.Context, w *Watch, c rules.Command) <-chan answered {
	done := make(chan answered, 1)
	go func() {
		out, err := w.Submit(ctx, c)
		done <- answered{out, err}
	}()
	synctest.Wait()
	return done
}

func TestCommandIsRecordedBeforeItIsAnswered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &ledger{}
		w, send, stop := beginWatch(t, &scripted{events: map[uint64]string{2: "low"}}, l)
		send(1)
		l.hang = make(chan struct{})
		done := submit(t.Context(), w, note("1", "seen"))
		send(2)
		select {
		case a := <-done:
			t.Fatalf("answered before the disk had it: %+v", a)
		default:
		}
		close(l.hang)
		a := <-done
		if a.err != nil || !a.out.Accepted || !a.out.Durable || len(a.out.Events) != 1 || a.out.ID != "1" {
			t.Errorf("%+v", a)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		got := l.entries()
		if i, k := slices.Index(got, "event seen"), slices.Index(got, "event low"); i < 0 || k != i+1 {
			t.Errorf("what the command did belongs before what its scan brought: %q", got)
		}
	})
}

func TestCommandsThatAreRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, send, stop := beginWatch(t, &scripted{}, &ledger{})
		send(1)
		wrong := note("1", "x")
		wrong.Order = rules.Reset
		refused := submit(t.Context(), w, wrong)
		send(1)
		if a := <-refused; a.err != nil || a.out.Accepted || a.out.Why != "only notes here" {
			t.Errorf("%+v", a)
		}
		if a := <-submit(t.Context(), w, rules.Command{ID: "2"}); a.out.Accepted || a.out.Why == "" {
			t.Errorf("without a name: %+v", a)
		}
		first := submit(t.Context(), w, note("3", "x"))
		if a := <-submit(t.Context(), w, note("3", "x")); a.out.Accepted || !strings.Contains(a.out.Why, "before") {
			t.Errorf("the same id twice: %+v", a)
		}
		send(1)
		if a := <-first; !a.out.Accepted {
			t.Errorf("%+v", a)
		}
		if a := <-submit(t.Context(), w, note("3", "x")); a.out.Accepted {
			t.Errorf("the same id later: %+v", a)
		}
		waiting := submit(t.Context(), w, note("4", "x"))
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if a := <-waiting; a.out.Accepted || a.out.Why != "the agent is stopping" {
			t.Errorf("at the stop: %+v", a)
		}
		if a := <-submit(t.Context(), w, note("5", "x")); a.out.Accepted {
			t.Errorf("after the stop: %+v", a)
		}
	})
}

func TestQueueOfCommandsIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, send, stop := beginWatch(t, &scripted{}, &ledger{})
		send(1)
		var waiting []<-chan answered
		for i := range mostOrders {
			waiting = append(waiting, submit(t.Context(), w, note(fmt.Sprint(i), "x")))
		}
		if a := <-submit(t.Context(), w, note("more", "x")); a.out.Accepted || !strings.Contains(a.out.Why, "too many") {
			t.Errorf("%+v", a)
		}
		send(1)
		for i, done := range waiting {
			if a := <-done; !a.out.Accepted {
				t.Errorf("command %d: %+v", i, a)
			}
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

func TestCommandThatNobodyWaitsFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &ledger{}
		w, send, stop := beginWatch(t, &scripted{}, l)
		send(1)
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		early := submit(ctx, w, note("1", "early"))
		time.Sleep(2 * time.Second)
		if a := <-early; !errors.Is(a.err, context.DeadlineExceeded) {
			t.Errorf("%+v", a)
		}
		send(1)
		if slices.Contains(l.entries(), "event early") {
			t.Error("carried out although nobody waits for it")
		}
		l.hang = make(chan struct{})
		late, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		done := submit(late, w, note("2", "late"))
		send(3)
		if a := <-done; !errors.Is(a.err, ErrOutcomeUnknown) {
			t.Errorf("%+v", a)
		}
		close(l.hang)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if !slices.Contains(l.entries(), "event late") {
			t.Error("not recorded")
		}
	})
}
