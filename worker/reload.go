package worker

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"reflect"
	"slices"
	"strings"

	"pupilrisk/rules"
)

// Reload lets a running worker take on another catalogue and configuration. The zero value never does.
type Reload struct {
	Asked <-chan os.Signal
	// Load reads both anew. Its error is logged, and the worker goes on with what it has.
	Load func() (Config, *rules.Catalogue, error)
	// Level is set to the new log.level.
	Level *slog.LevelVar
}

// reloaded are the keys that a running worker takes on, or their beginnings: what decides about patients, and what is logged.
// Connections, doors and mode are opened once; a worker that goes live is started by somebody.
var reloaded = []string{"history.", "operations.", "sweep.", "flag.", "task.", "timezone", "holidays", "catalogue.dir", "log.level", "log.audit"}

// next waits until a reload is asked for that can be taken on, and returns what the next worker is made of; nil once ctx ends.
func (r Reload) next(ctx context.Context, p Parts) *Parts {
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-r.Asked:
		}
		cfg, cat, err := r.Load()
		if err == nil {
			err = p.Config.canBecome(cfg)
		}
		if err != nil {
			p.Metrics.reloadFailed.Set(1)
			p.Log.Error("the configuration is not taken on; the worker goes on with the former one", "error", err)
			continue
		}
		if r.Level != nil {
			r.Level.Set(cfg.Level())
		}
		p.Metrics.reloadFailed.Set(0)
		p.Metrics.lastReload.SetToCurrentTime()
		p.Metrics.catalogue(p.Version, cat)
		p.Log.Info("configuration and catalogue are taken on", "catalogue", cat.Version)
		p.Config, p.Catalogue = cfg, cat
		return &p
	}
}

// canBecome says which keys have changed that need a restart.
func (c *Config) canBecome(next Config) error {
	var fixed []string
	was, is := c.fields(), next.fields()
	for _, k := range Keys() {
		free := slices.ContainsFunc(reloaded, func(r string) bool { return k == r || strings.HasSuffix(r, ".") && strings.HasPrefix(k, r) })
		if !free && !reflect.DeepEqual(was[k].Interface(), is[k].Interface()) {
			fixed = append(fixed, k)
		}
	}
	if len(fixed) > 0 {
		return fmt.Errorf("changed, and needs a restart: %s", strings.Join(fixed, ", "))
	}
	return nil
}
