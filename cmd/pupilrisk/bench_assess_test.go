package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/stretchr/testify/require"
)

// manyPatients writes so many lines, each the Bundle of one patient with 40 resources, and returns the name of the file.
func manyPatients(b *testing.B, patients int) (name string) {
	b.Helper()
	var line strings.Builder
	line.WriteString(`{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"resourceType":"Patient","id":"@"}},` +
		`{"resource":{"resourceType":"MedicationStatement","id":"@-m","status":"active","subject":{"reference":"Patient/@"},"medicationCodeableConcept":{"text":"tamsulosin"}}}`)
	for i := range 38 {
		fmt.Fprintf(&line, `,{"resource":{"resourceType":"Condition","id":"@-c%d","subject":{"reference":"Patient/@"},"recordedDate":"2019-02-03",`+
			`"clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-clinical","code":"active"}]},`+
			`"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"E11.%d","display":"Invented disease of the benchmark"}],"text":"Invented disease"}}}`, i, i)
	}
	line.WriteString("]}\n")
	name = filepath.Join(b.TempDir(), "patients.ndjson")
	file, err := os.Create(name)
	require.NoError(b, err)
	out := bufio.NewWriterSize(file, 1<<20)
	for i := range patients {
		_, err := strings.NewReplacer("@", fmt.Sprintf("p%d", i)).WriteString(out, line.String())
		require.NoError(b, err)
	}
	require.NoError(b, out.Flush())
	require.NoError(b, file.Close())
	return name
}

// split only splits the lines and looks whether they are JSON, on one core.
func split(b *testing.B, name string) (values int, wall, cpu time.Duration) {
	b.Helper()
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	used := func() time.Duration {
		var u syscall.Rusage
		require.NoError(b, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
		return time.Duration(u.Utime.Nano() + u.Stime.Nano())
	}
	file, err := os.Open(name)
	require.NoError(b, err)
	defer file.Close()
	begun, before := time.Now(), used()
	for d := jsontext.NewDecoder(file); ; values++ {
		if _, err := d.ReadValue(); errors.Is(err, io.EOF) {
			return values, time.Since(begun), used() - before
		} else {
			require.NoError(b, err)
		}
	}
}

// peakMemory is the most memory that a process held, in MiB, told once it has ended; 0 where the system does not say. What the system
// says to whoever waits for it counts the memory of this process too, from which it was forked.
func peakMemory(pid int) <-chan float64 {
	peak := make(chan float64, 1)
	go func() {
		last := 0.
		for {
			status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
			_, most, ok := strings.Cut(string(status), "VmHWM:")
			if err != nil || !ok {
				peak <- last / 1024
				return
			}
			_, _ = fmt.Sscan(most, &last) // KiB
			time.Sleep(5 * time.Millisecond)
		}
	}()
	return peak
}

// BenchmarkAssess is the program over a file of 5,000 patients (100,000 with PUPILRISK_LOAD) of 40 resources each, one a line: cores
// is the time of the processor in the time on the clock. times-split is its ratio to splitting and validating the same lines on one
// core, cpu-times-split the same of the time of the processor.
func BenchmarkAssess(b *testing.B) {
	binary, err := buildBinary()
	require.NoError(b, err)
	patients := 5_000
	if os.Getenv("PUPILRISK_LOAD") != "" {
		patients = 100_000
	}
	name := manyPatients(b, patients)
	for _, format := range []string{"json", "fhir", "text"} {
		b.Run("format="+format, func(b *testing.B) {
			out := filepath.Join(b.TempDir(), "out")
			var wall, cpu, splitWall, splitCPU time.Duration
			var peak float64
			for b.Loop() {
				to, err := os.Create(out)
				require.NoError(b, err)
				program := exec.Command(binary, "assess", "--format", format, "--at", "2026-11-25T08:00:00Z", name)
				program.Stdout, program.Stderr = to, os.Stderr
				begun := time.Now()
				require.NoError(b, program.Start())
				memory := peakMemory(program.Process.Pid)
				require.NoError(b, program.Wait())
				wall += time.Since(begun)
				cpu += program.ProcessState.UserTime() + program.ProcessState.SystemTime()
				peak = max(peak, <-memory)
				require.NoError(b, to.Close())

				b.StopTimer()
				values, w, c := split(b, name)
				require.Equal(b, patients, values)
				splitWall, splitCPU = splitWall+w, splitCPU+c
				b.StartTimer()
			}
			said, err := os.ReadFile(out)
			require.NoError(b, err)
			for _, patient := range []int{0, patients - 1} {
				require.Contains(b, string(said), fmt.Sprintf("Patient/p%d", patient))
			}
			b.ReportMetric(float64(patients*b.N)/wall.Seconds(), "patients/s")
			b.ReportMetric(cpu.Seconds()/wall.Seconds(), "cores")
			b.ReportMetric(peak, "MiB-peak")
			b.ReportMetric(wall.Seconds()/splitWall.Seconds(), "times-split")
			b.ReportMetric(cpu.Seconds()/splitCPU.Seconds(), "cpu-times-split")
		})
	}
}
