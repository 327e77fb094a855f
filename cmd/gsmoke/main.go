package main

import (
	"context"
	"fmt"
	"os"
	"time"
	"runtime"
	"runtime/pprof"

	"keratally/registry"
	"keratally/registry/intake"
	"keratally/registry/pgstore"
)

func main() {
	if p := os.Getenv("PROF"); p != "" { f, _ := os.Create(p); pprof.StartCPUProfile(f); defer pprof.StopCPUProfile() }
	ctx := context.Background()
	s, err := pgstore.Open(ctx, os.Args[1])
	if err != nil { panic(err) }
	text, _ := os.ReadFile(os.Args[2])
	m, err := intake.ParseMapping(text)
	if err != nil { fmt.Println(err); return }
	f, err := os.Open(os.Args[3])
	if err != nil { panic(err) }
	st, _ := f.Stat()
	t0 := time.Now()
	book, err := intake.Read(f, st.Size(), os.Args[3], m.File)
	if err != nil { fmt.Println(err); return }
	r, err := intake.Take(ctx, s.NewIntake(), book, m, intake.Options{Today: registry.DateOf(time.Now()), Person: "g"})
	if err != nil { fmt.Println(err); return }
	refs := r.Refusals
	r.Refusals = nil
	fmt.Printf("%+v\n", *r)
	for i, x := range refs { if i < 10 { fmt.Println(x) } }
	var ms runtime.MemStats
	runtime.ReadMemStats(&ms)
	fmt.Println(time.Since(t0), ms.Sys>>20, "MB")
}
