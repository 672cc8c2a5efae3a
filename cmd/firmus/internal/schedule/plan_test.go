package schedule_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/cmd/firmus/internal/schedule"
	"firmus/fixity/ledger"
)

func plan(t *testing.T, text string) schedule.Plan {
	t.Helper()
	x, err := schedule.Parse(text, time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	return schedule.Plan{Times: x}
}

func TestStep(t *testing.T) {
	at := func(day, h, m int) time.Time { return time.Date(2026, 3, day, h, m, 0, 0, time.UTC) }
	done := func(day int) ledger.Firing {
		return ledger.Firing{Due: at(day, 1, 0), Tried: at(day, 1, 0), Ended: at(day, 2, 0), Outcome: ledger.FiringDone}
	}
	open := func(outcome string, tried time.Time) ledger.Firing {
		return ledger.Firing{Due: at(10, 1, 0), Tried: tried, Outcome: outcome, Tries: 1}
	}
	nightly := plan(t, "0 1 * * *")
	windowed := nightly
	windowed.Window = schedule.Window{From: 22 * time.Hour, To: 6 * time.Hour}
	closed := nightly
	closed.Closed = schedule.Days([][2]string{{"2026-03-09", "2026-03-12"}})
	const quiet, busy = time.Hour, time.Minute
	for _, c := range []struct {
		name string
		p    schedule.Plan
		m    schedule.Moment
		want schedule.Step
	}{
		{"the first time ever", nightly, schedule.Moment{Now: at(10, 9, 0), Never: true}, schedule.Step{Do: schedule.Begin}},
		{"nothing to do", nightly, schedule.Moment{Now: at(10, 9, 0), Up: at(1, 0, 0), Last: done(10)}, schedule.Step{Until: at(11, 1, 0)}},
		{"on time, also while people work", nightly, schedule.Moment{Now: at(11, 1, 0), Up: at(1, 0, 0), Last: done(10)}, schedule.Step{Do: schedule.Run, Due: at(11, 1, 0)}},
		{"missed, just switched on", nightly, schedule.Moment{Now: at(11, 9, 0), Up: at(11, 9, 0), Quiet: quiet, Last: done(10)},
			schedule.Step{Until: at(11, 9, 10), Why: "a missed time waits until the computer has been on for a while"}},
		{"missed, people work", nightly, schedule.Moment{Now: at(11, 9, 30), Up: at(11, 9, 0), Quiet: busy, Last: done(10)},
			schedule.Step{Until: at(11, 9, 44), Why: "a missed time waits for an idle hour"}},
		{"missed, an idle hour", nightly, schedule.Moment{Now: at(11, 9, 30), Up: at(11, 9, 0), Quiet: quiet, Last: done(10)}, schedule.Step{Do: schedule.Run, Due: at(11, 1, 0)}},
		{"missed, never idle", nightly, schedule.Moment{Now: at(11, 13, 0), Up: at(11, 9, 0), Quiet: busy, Last: done(10)}, schedule.Step{Do: schedule.Run, Due: at(11, 1, 0)}},
		{"a week missed is one run", nightly, schedule.Moment{Now: at(17, 9, 30), Up: at(17, 9, 0), Quiet: quiet, Last: done(10)},
			schedule.Step{Do: schedule.Run, Due: at(17, 1, 0), Missed: 6}},
		{"missed, and the next is near", nightly, schedule.Moment{Now: at(12, 0, 30), Up: at(11, 23, 0), Quiet: quiet, Last: done(10)},
			schedule.Step{Until: at(12, 1, 0), Why: "the next time is near"}},
		{"outside its window", windowed, schedule.Moment{Now: at(11, 9, 30), Up: at(11, 9, 0), Quiet: quiet, Last: done(10)},
			schedule.Step{Until: at(11, 22, 0), Why: "waits until its window opens"}},
		{"missed on a closed day", closed, schedule.Moment{Now: at(11, 9, 30), Up: at(11, 9, 0), Quiet: quiet, Last: done(10)},
			schedule.Step{Until: at(12, 1, 0), Why: "what was missed on a closed day is not made up"}},
		{"kept on a closed day", closed, schedule.Moment{Now: at(11, 1, 1), Up: at(1, 9, 0), Last: done(10)}, schedule.Step{Do: schedule.Run, Due: at(11, 1, 0)}},
		{"after the holiday: one run, and the days before it", closed, schedule.Moment{Now: at(13, 9, 30), Up: at(13, 9, 0), Quiet: quiet, Last: done(7)},
			schedule.Step{Do: schedule.Run, Due: at(13, 1, 0), Missed: 1}},
		{"busy, just tried", nightly, schedule.Moment{Now: at(10, 1, 5), Up: at(1, 0, 0), Last: open(ledger.FiringBusy, at(10, 1, 0))},
			schedule.Step{Until: at(10, 1, 10), Why: "somebody else works on the store"}},
		{"busy, again", nightly, schedule.Moment{Now: at(10, 1, 10), Up: at(1, 0, 0), Last: open(ledger.FiringBusy, at(10, 1, 0))}, schedule.Step{Do: schedule.Again}},
		{"killed in the middle", nightly, schedule.Moment{Now: at(10, 4, 0), Up: at(10, 4, 0), Last: open("", at(10, 1, 0))},
			schedule.Step{Until: at(10, 4, 1), Why: "a run that was cut off is taken up"}},
		{"killed, taken up", nightly, schedule.Moment{Now: at(10, 4, 1), Up: at(10, 4, 0), Last: open("", at(10, 1, 0))}, schedule.Step{Do: schedule.Again}},
		{"stopped and its window closed", windowed, schedule.Moment{Now: at(10, 9, 0), Up: at(10, 4, 0), Last: open(ledger.FiringStopped, at(10, 1, 0))},
			schedule.Step{Until: at(10, 22, 0), Why: "waits until its window opens"}},
		{"killed long ago: the newer time", nightly, schedule.Moment{Now: at(12, 1, 0), Up: at(12, 0, 0), Last: open("", at(10, 1, 0))},
			schedule.Step{Do: schedule.Run, Due: at(12, 1, 0), Missed: 1}},
		{"the clock was a year ahead", nightly, schedule.Moment{Now: at(10, 9, 0), Up: at(1, 0, 0), Last: ledger.Firing{Due: at(10, 1, 0).AddDate(1, 0, 0), Ended: at(10, 1, 0).AddDate(1, 0, 0)}},
			schedule.Step{Until: at(11, 1, 0)}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if diff := cmp.Diff(c.want, c.p.Step(c.m)); diff != "" {
				t.Errorf("-want +got:\n%s", diff)
			}
		})
	}
}

func TestForesee(t *testing.T) {
	now := time.Date(2026, 3, 10, 15, 0, 0, 0, time.UTC)
	day := func(n int) time.Time { return now.Truncate(24*time.Hour).AddDate(0, 0, n) }
	means := schedule.Means{Rate: 1000, Daily: time.Hour} // 3,600,000 bytes a day
	for _, c := range []struct {
		name  string
		needs []schedule.Need
		m     schedule.Means
		want  schedule.Forecast
	}{
		{"nothing held", nil, means, schedule.Forecast{Known: true}},
		{"kept", []schedule.Need{{day(1), 3_000_000}, {day(3), 7_000_000}}, means, schedule.Forecast{Known: true}},
		{"what comes later has no time left", []schedule.Need{{day(1), 3_000_000}, {day(2), 7_000_000}}, means, schedule.Forecast{Broken: day(2), Short: 2_800_000, Known: true}},
		{"broken already", []schedule.Need{{day(-3), 10}}, means, schedule.Forecast{Broken: day(-3), Short: 10, Known: true}},
		{"rate not known", []schedule.Need{{day(1), 1 << 50}}, schedule.Means{Daily: time.Hour}, schedule.Forecast{}},
		{"rate not known, broken already", []schedule.Need{{day(-1), 10}}, schedule.Means{Daily: time.Hour}, schedule.Forecast{Broken: day(-1), Short: 10}},
		{"a visit is needed by then", []schedule.Need{{day(20), 10}}, schedule.Means{Visiting: true}, schedule.Forecast{Broken: day(20), Short: 10, Known: true}},
		{"so much a day and no more", []schedule.Need{{day(1), 1_000_000}, {day(4), 6_000_000}}, schedule.Means{Rate: 1e9, Daily: time.Hour, ADay: 1_200_000}, schedule.Forecast{Broken: day(4), Short: 2_200_000, Known: true}},
		{"so much a day is enough", []schedule.Need{{day(1), 1_000_000}, {day(4), 3_800_000}}, schedule.Means{Rate: 1e9, Daily: time.Hour, ADay: 1_200_000}, schedule.Forecast{Known: true}},
		{"so much a day, rate not known", []schedule.Need{{day(4), 6_000_000}}, schedule.Means{ADay: 1_200_000}, schedule.Forecast{Broken: day(4), Short: 1_200_000}},
		{"so much a day, but slower", []schedule.Need{{day(1), 3_700_000}}, schedule.Means{Rate: 1000, Daily: time.Hour, ADay: 9_000_000}, schedule.Forecast{Broken: day(1), Short: 100_000, Known: true}},
		{"no time to read at all", []schedule.Need{{day(9), 10}}, schedule.Means{Rate: 1}, schedule.Forecast{Broken: day(9), Short: 10, Known: true}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if diff := cmp.Diff(c.want, schedule.Foresee(now, c.needs, c.m)); diff != "" {
				t.Errorf("-want +got:\n%s", diff)
			}
		})
	}
}
