package configs

import (
	"fmt"
	"math"
	"slices"

	"strokebank/rules/machine/service"
)

// tasks are the usual tasks of a source with what the file changes of them,
// and the file's own.
func (s section) tasks(kind, source string) []service.Task {
	all := service.Usual(kind, source)
	names, values := s.named("service")
	for i, name := range names {
		v := values[i]
		if !v.checkName(name) {
			continue
		}
		at := slices.IndexFunc(all, func(t service.Task) bool { return t.Name == name })
		if word, plain := scalar(v.node); plain {
			switch {
			case word != none:
				v.problem(fmt.Sprintf("%q where keys are needed", short(word)), "write its intervals, as {run: 500 h, every: 365 d}, or none")
			case at < 0:
				v.problem("is no usual task, so that there is nothing to drop", nearest(name, usualNames(kind)))
			default:
				all = slices.Delete(all, at, at+1)
			}
			continue
		}
		if at < 0 {
			all, at = append(all, service.Task{Source: source, Name: name, Title: name}), len(all)
		}
		v.section(serviceKeys).task(&all[at], kind == unitTasks)
	}
	return all
}

func usualNames(kind string) (names []string) {
	for _, t := range service.Usual(kind, "") {
		names = append(names, t.Name)
	}
	return names
}

// task changes t to what the file says.
func (s section) task(t *service.Task, ofUnit bool) {
	if s.has("title") {
		t.Title = s.text("title")
	}
	run, every := s.quantity("run"), s.quantity("every")
	starts, _ := s.integer("starts", 1, 100_000_000)
	if s.any([]string{"run", "starts", "every"}) {
		t.Run, t.Starts, t.Every = orZero(run), float64(starts), seconds(every)
	} else if t.Run == 0 && t.Starts == 0 && t.Every == 0 && s.values != nil {
		s.problem("has no interval", "write run, starts or every")
	}
	t.Ahead, t.FirstDate, t.FirstRun = s.quantity("ahead"), s.date("first_due"), orZero(s.quantity("first_due_at"))
	if math.IsNaN(t.Ahead) {
		t.Ahead = 0
	}
	for _, name := range []string{"run", "starts", "first_due_at"} {
		if ofUnit && s.has(name) {
			s.report(name, "is of a machine, and this is a task of the whole unit", "write every, or put the task under a machine's service")
			return
		}
	}
	if s.has("first_due") && t.Every == 0 && !s.has("every") {
		s.report("first_due", "is a day although the task has no interval by the calendar", "write every too, as 365 d")
	}
	if s.has("first_due_at") && t.Run == 0 && !s.has("run") {
		s.report("first_due_at", "is a run time although the task has no interval by run time", "write run too, as 500 h")
	}
}
