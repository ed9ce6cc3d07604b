package trend
import ("testing";"math/rand/v2";"math";"time";"sort")
type sim struct{ noise float64; perDay int; daily, season, phase float64; fixed bool }
func run(t *testing.T, s sim, seed uint64, days int, ratio func(d float64) float64, each func(d float64, h *Health) bool){
 r:=rand.New(rand.NewPCG(seed,99)); h,err:=NewHealth(.7); if err!=nil{t.Fatal(err)}
 t0:=time.Date(2026,1,1,0,0,0,0,time.UTC)
 at:=make([]float64,s.perDay)
 for d:=range days{
  for i:=range at{ at[i]=r.Float64(); }
  sort.Float64s(at)
  for _,f:=range at{ x:=float64(d)+f
   w:=1+s.daily*math.Sin(2*math.Pi*f)+s.season*(math.Cos(2*math.Pi*(x/365.25+s.phase)))
   h.Update(t0.Add(time.Duration(x*86400e9)), ratio(x)*w*(1+s.noise*r.NormFloat64())/(1+s.season*math.Cos(2*math.Pi*s.phase)), s.noise)
   if !each(x,h){return}}
 }
}
func TestExploreDrift(t *testing.T){
 t0:=time.Date(2026,1,1,0,0,0,0,time.UTC)
 for _,healthy:=range []float64{0,10,60,400}{
 for _,s:=range []sim{{.005,3,0.01,.01,0,false},{.005,10,.02,.02,0,false},{.02,3,.01,.01,0,false},{.02,3,.02,.02,.25,false},{.02,3,.02,.02,.75,false},{.02,10,.02,.02,.25,false},{.01,5,.02,.02,0,false}}{
  worst:=0.;latest:=0.;earliest:=1e9;miss:=0;bad:=0; step:=0; firststep:=1e9; noin:=0; wst:=0.
  const N=200
  for seed:=range uint64(N){
   ok:=false; st:=false
   run(t,s,seed,int(healthy)+60,func(d float64)float64{ return math.Max(0,1-.007*math.Max(0,d-healthy))},func(d float64,h *Health)bool{
    v:=h.Verdict()
    if v.Step&&!st{st=true;step++;firststep=min(firststep,d-healthy)}
    if v.Drift{ ok=true; dd:=d-healthy; latest=max(latest,dd);earliest=min(earliest,dd)
     tr:=healthy+.3/.007
     e:=v.Forecast.At.Sub(t0).Hours()/24-tr; worst=max(worst,math.Abs(e)); if !v.Forecast.Known||math.Abs(e)>7{bad++}
     if v.Forecast.Early.Sub(t0).Hours()/24>tr||v.Forecast.Late.Sub(t0).Hours()/24<tr{noin++}
     wst=max(wst,v.Forecast.Late.Sub(v.Forecast.Early).Hours()/24)
     return false}
    return true})
   if !ok{miss++}
  }
  t.Logf("healthy %v %+v: earliest %.1f latest %.1f worst err %.1f bad %d miss %d noin %d width %.1f steps %d first %.1f",healthy,s,earliest,latest,worst,bad,miss,noin,wst,step,firststep)
 }}
}
func TestExploreHealthy(t *testing.T){
 for _,s:=range []sim{{.005,3,0.01,.01,0,false},{.005,10,.02,.02,0,false},{.02,3,.01,.01,0,false},{.02,3,.02,.02,0,false},{.02,10,.02,.02,0,false},{.01,5,.02,.02,0,false},{.02,3,.02,.02,.5,false}}{
  al:=0;sp:=0;minsure:=1.
  for seed:=range uint64(3){
   st:=time.Now(); _=st
   run(t,s,seed,7305,func(d float64)float64{return 1},func(d float64,h *Health)bool{
    v:=h.Verdict(); if v.Level.Known(){minsure=min(minsure,float64(v.Level))}
    if v.Drift{al++;return false}; if v.Step{sp++;return false}; return true})
   if seed==0{t.Log(time.Since(st))}
  }
  t.Logf("%+v drift %d step %d min level %.3f",s,al,sp,minsure)
 }
}
