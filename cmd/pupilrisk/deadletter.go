package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"strconv"
	"time"
	"unicode/utf8"

	"github.com/nats-io/nats.go"

	"pupilrisk/worker"
	"pupilrisk/worker/stream"
)

func runDeadLetter(f *flag.FlagSet) action {
	file := configFlag(f)
	limit := f.Int("limit", 100, "how many to list, at most `N`")
	format := formats(f, "list and show: text, or one JSON object for each: number, reason, putAside, firstSeen, deliveries, replays, bytes; "+
		"show adds subject, stream, sequence, headers, and payload (payloadBase64 where it is no UTF-8)", "text", "json")
	return func(ctx context.Context, s surroundings, args []string) (err error) {
		verb, rest := verbOf(args)
		var numbers []uint64
		for _, a := range rest {
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
		dead, err := worker.OpenStream(ctx, cfg)
		if err != nil {
			return err
		}
		defer func() {
			closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
			defer cancel()
			err = errors.Join(err, dead.Close(closing))
		}()
		ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
		defer cancel()
		if verb == "list" {
			letters, err := dead.DeadLetters(ctx, 0, *limit)
			if err != nil {
				return err
			}
			for _, l := range letters {
				if format.value == "json" {
					err = writeJSON(s.out, letterOf(l))
				} else {
					_, err = fmt.Fprintln(s.out, letterLine(l))
				}
				if err != nil {
					return err
				}
			}
			if format.value == "json" {
				return nil
			}
			fmt.Fprintf(s.out, "%d dead letters\n", len(letters))
			return nil
		}
		for _, n := range numbers {
			switch verb {
			case "show":
				l, err := dead.GetDeadLetter(ctx, n)
				if err != nil {
					return err
				}
				if format.value == "json" {
					err = writeJSON(s.out, contentOf(l))
				} else {
					_, err = fmt.Fprintf(s.out, "%s\n%s\n", letterLine(l), l.Data)
				}
				if err != nil {
					return err
				}
			case "replay":
				if err := dead.ReplayDeadLetter(ctx, n); err != nil {
					return err
				}
				fmt.Fprintf(s.out, "%d sent through again\n", n)
			case "discard":
				if err := dead.DiscardDeadLetter(ctx, n); err != nil {
					return err
				}
				fmt.Fprintf(s.out, "%d discarded\n", n)
			}
		}
		return nil
	}
}

func letterLine(l stream.DeadLetter) string {
	return fmt.Sprintf("%6d  %s  %-20s  deliveries %d  %d bytes", l.Seq, l.FirstSeen.Format(time.RFC3339), l.Reason, l.Deliveries, l.Size)
}

// letterJSON is what a list says of a dead letter: nothing about a patient.
type letterJSON struct {
	Number     uint64    `json:"number"`
	Reason     string    `json:"reason"`
	PutAside   time.Time `json:"putAside"`
	FirstSeen  time.Time `json:"firstSeen"`
	Deliveries uint64    `json:"deliveries"`
	Replays    int       `json:"replays"`
	Bytes      int       `json:"bytes"`
}

func letterOf(l stream.DeadLetter) letterJSON {
	return letterJSON{l.Seq, l.Reason, l.Time.UTC(), l.FirstSeen.UTC(), l.Deliveries, l.Replays, l.Size}
}

// contentJSON is a dead letter with its content, which may name a patient. A payload that was too large to be copied is absent:
// while it lasts it is in the stream, at the sequence.
type contentJSON struct {
	letterJSON
	Subject  string      `json:"subject"`
	Stream   string      `json:"stream"`
	Sequence uint64      `json:"sequence"`
	Headers  nats.Header `json:"headers,omitempty"`
	Payload  string      `json:"payload,omitempty"`
	Base64   []byte      `json:"payloadBase64,omitempty"`
}

func contentOf(l stream.DeadLetter) contentJSON {
	out := contentJSON{letterJSON: letterOf(l), Subject: l.Subject, Stream: l.Stream, Sequence: l.Sequence, Headers: l.Header}
	if utf8.Valid(l.Data) {
		out.Payload = string(l.Data)
	} else { // HL7 v2 in another character set, say
		out.Base64 = l.Data
	}
	return out
}
