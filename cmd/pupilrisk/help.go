package main

import (
	"flag"
	"fmt"
	"io"
	"strings"
)

// helpWidth is how wide help is written: for a terminal of the usual size.
const helpWidth = 100

func usage(w io.Writer) {
	fmt.Fprint(w, "pupilrisk finds what a cataract surgeon must be ready for in the record of every booked operation.\n"+
		"Decision support only: a flag is a prompt to prepare, no flag is no clearance.\n\n")
	for _, c := range commands {
		fmt.Fprintf(w, "  pupilrisk %s\n        %s\n", c.synopsis(strings.Join(c.forms, " | ")), c.does)
	}
	fmt.Fprint(w, "\nExit codes: 0 done, 1 failed, 2 wrong usage or configuration.\npupilrisk COMMAND --help says more of one.\n")
}

// synopsis is one way to call the command, with its flags behind.
func (c command) synopsis(form string) string {
	words := strings.TrimSpace(c.name + " " + form)
	c.eachFlag(func(f *flag.Flag, value, _ string) {
		if given := strings.TrimSpace("--" + f.Name + " " + value); !strings.Contains(form, given) {
			words += " [" + given + "]"
		}
	})
	return words
}

// help is all there is to know of the command, for whoever runs it.
func (c command) help(w io.Writer) {
	paragraph(w, "", "    ", "pupilrisk "+c.name+": "+c.does)
	fmt.Fprint(w, "\nUsage:\n")
	for _, form := range c.forms {
		paragraph(w, "  ", "      ", "pupilrisk "+c.synopsis(form))
	}
	fmt.Fprintln(w)
	paragraph(w, "", "", c.about)
	head := "\nFlags:\n"
	c.eachFlag(func(f *flag.Flag, value, usage string) {
		if value != "" && f.DefValue != "" && f.DefValue != "0" && f.DefValue != "0s" {
			usage += " (default: " + f.DefValue + ")"
		}
		fmt.Fprintf(w, "%s  %s\n", head, strings.TrimSpace("--"+f.Name+" "+value))
		paragraph(w, "      ", "      ", usage)
		head = ""
	})
	fmt.Fprintf(w, "\nExit codes:\n  0  done\n  1  %s\n  2  wrong usage or configuration\n\nFiles and environment:\n", c.fails)
	for _, x := range c.uses {
		paragraph(w, "  ", "    ", x)
	}
	fmt.Fprintf(w, "\nExample:\n  pupilrisk %s\n", c.example)
}

// paragraph writes text in lines of helpWidth at most, the first behind one indent and the others behind another.
func paragraph(w io.Writer, first, others, text string) {
	line := first
	for i, word := range strings.Fields(text) {
		switch {
		case i == 0:
			line += word
		case len(line)+1+len(word) > helpWidth:
			fmt.Fprintln(w, line)
			line = others + word
		default:
			line += " " + word
		}
	}
	fmt.Fprintln(w, line)
}
