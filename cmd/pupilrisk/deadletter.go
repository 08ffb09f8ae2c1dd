package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"pupilrisk/worker"
	"pupilrisk/worker/stream"
)

func runDeadLetter(ctx context.Context, s surroundings, args []string) (err error) {
	f := flags(s, "deadletter")
	file := f.String("config", "", "configuration file (YAML); PUPILRISK_CONFIG names it too")
	limit := f.Int("limit", 100, "how many to list")
	if err := parse(f, args); err != nil {
		return err
	}
	verb := f.Arg(0)
	var numbers []uint64
	for _, a := range f.Args()[min(1, f.NArg()):] {
		n, err := strconv.ParseUint(a, 10, 64)
		if err != nil {
			return usageError{fmt.Errorf("deadletter: %q is no number of a dead letter", a)}
		}
		numbers = append(numbers, n)
	}
	if verb != "list" && (len(numbers) == 0 || verb != "show" && verb != "replay" && verb != "discard") {
		return usageError{errors.New("deadletter takes: list, show N, replay N, or discard N (one or more)")}
	}
	cfg, _, err := configured(s, *file)
	if err != nil {
		return err
	}
	nats, err := worker.OpenStream(ctx, cfg)
	if err != nil {
		return err
	}
	defer func() {
		closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
		defer cancel()
		err = errors.Join(err, nats.Close(closing))
	}()
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	if verb == "list" {
		letters, err := nats.DeadLetters(ctx, 0, *limit)
		if err != nil {
			return err
		}
		for _, l := range letters {
			fmt.Fprintln(s.out, letterLine(l))
		}
		fmt.Fprintf(s.out, "%d dead letters\n", len(letters))
		return nil
	}
	for _, n := range numbers {
		switch verb {
		case "show":
			l, err := nats.GetDeadLetter(ctx, n)
			if err != nil {
				return err
			}
			fmt.Fprintf(s.out, "%s\n%s\n", letterLine(l), l.Data)
		case "replay":
			if err := nats.ReplayDeadLetter(ctx, n); err != nil {
				return err
			}
			fmt.Fprintf(s.out, "%d sent through again\n", n)
		case "discard":
			if err := nats.DiscardDeadLetter(ctx, n); err != nil {
				return err
			}
			fmt.Fprintf(s.out, "%d discarded\n", n)
		}
	}
	return nil
}

func letterLine(l stream.DeadLetter) string {
	return fmt.Sprintf("%6d  %s  %-20s  deliveries %d  %d bytes", l.Seq, l.FirstSeen.Format(time.RFC3339), l.Reason, l.Deliveries, l.Size)
}
