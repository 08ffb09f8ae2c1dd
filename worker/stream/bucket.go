package stream

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// bucketBytes is the size of one bucket, above which it refuses.
const bucketBytes = 256 << 20

// EachValue hands out what stands in a bucket under some keys (with wildcards), the latest of each, deletions too. Nil means that
// it was all; a NATS server that goes away in between never says so, hence the limit.
func EachValue(ctx context.Context, kv jetstream.KeyValue, keys []string, limit time.Duration, each func(jetstream.KeyValueEntry)) error {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	watch, err := kv.WatchFiltered(ctx, keys)
	if err != nil {
		return fmt.Errorf("read the bucket: %w", err)
	}
	defer func() {
		_ = watch.Stop() // the subscription ends with its context too
		// The library hands out what it holds already, and waits for a taker.
		for late := time.After(limit); ; {
			select {
			case _, ok := <-watch.Updates():
				if !ok {
					return
				}
			case <-late:
				return
			}
		}
	}()
	for {
		select {
		case <-ctx.Done():
			return fmt.Errorf("read the bucket: %w", ctx.Err())
		case e, ok := <-watch.Updates():
			switch {
			case !ok:
				return errors.New("read the bucket: interrupted")
			case e == nil:
				return nil
			}
			each(e)
		}
	}
}

// Bucket is the key-value bucket called name, whose values are forgotten ttl after they were last written; 0 keeps them.
// Where the worker manages, the bucket is created if it is missing, its ttl put right, and its
// replicas raised to those configured.
func (s *Stream) Bucket(ctx context.Context, name string, ttl time.Duration) (jetstream.KeyValue, error) {
	want := jetstream.KeyValueConfig{
		Bucket:   name,
		TTL:      ttl,
		History:  1,
		MaxBytes: bucketBytes,
		Storage:  jetstream.FileStorage,
		Replicas: max(s.cfg.Replicas, 1),
	}
	kv, err := s.js.KeyValue(ctx, name)
	switch {
	case err == nil:
		return s.settleBucket(ctx, kv, want)
	case errors.Is(err, jetstream.ErrBucketNotFound) && s.cfg.manage():
		if kv, err = s.js.CreateKeyValue(ctx, want); err == nil {
			// No event: a bucket holds nothing that was sent to us, so nothing was lost with its predecessor.
			s.cfg.Log.Info("NATS bucket created", "bucket", name)
			return kv, nil
		}
		if errors.Is(err, jetstream.ErrBucketExists) { // another replica was faster, with another configuration
			kv, err = s.js.KeyValue(ctx, name)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("bucket %s: %w", name, err)
	}
	return kv, nil
}

func (s *Stream) settleBucket(ctx context.Context, kv jetstream.KeyValue, want jetstream.KeyValueConfig) (jetstream.KeyValue, error) {
	status, err := kv.Status(ctx)
	if err != nil {
		return nil, fmt.Errorf("bucket %s: %w", want.Bucket, err)
	}
	have := status.Config()
	mend := have
	mend.TTL, mend.Replicas = want.TTL, max(have.Replicas, s.cfg.Replicas)
	if mend.TTL == have.TTL && mend.Replicas == have.Replicas {
		return kv, nil
	}
	log := s.cfg.Log.With("bucket", want.Bucket, "ttl", have.TTL, "usual_ttl", mend.TTL, "replicas", have.Replicas, "usual_replicas", mend.Replicas)
	if !s.cfg.manage() {
		log.Warn("bucket differs from what it should be")
		return kv, nil
	}
	log.Warn("bucket differs from what it should be; put right")
	if kv, err = s.js.UpdateKeyValue(ctx, mend); err != nil {
		return nil, fmt.Errorf("bucket %s: %w", want.Bucket, err)
	}
	s.cfg.OnEvent(EventRepaired)
	return kv, nil
}
