//! scratch
use lowgear_agents::{rule::*, contextual::*};
use lowgear_env::*; use lowgear_eval::{suite::*, bound::*}; use lowgear_train::{config::*, search::*};
use std::path::Path; use rayon::prelude::*; use std::sync::Arc;
fn main(){
  let base=Path::new("configs");
  let v: vehicle::VehicleConfig = config::load(&base.join("vehicles/demo-cart.toml")).unwrap_or_else(|e|{eprintln!("{e}");std::process::exit(2)});
  let c = load_course(&base.join("courses/garden-mix.toml")).unwrap_or_else(|e|{eprintln!("{e}");std::process::exit(2)});
  let st: StudyConfig = config::load(&base.join("studies/demo.toml")).unwrap_or_else(|e|{eprintln!("{e}");std::process::exit(2)});
  let sc=Scenario::new(v,c,st.episode,Seed(st.seed));
  let training=TrainingSuite::new(&sc); let val=ValidationSuite::new(&sc, st.validation_courses); let test=TestSuite::new(&sc, 100);
  let show=|name:&str, o:&[Outcome]| { let n=o.len() as f64; let m=|f:&dyn Fn(&Outcome)->f64| o.iter().map(f).sum::<f64>()/n;
    println!("{name:22} fin {:.3} time {:.1} ret {:.1} shifts {:.1} rev {:.1} fail {:.1} miss {:.1} stall {:.1} dmg {:.1}e-6 stress {:.1} E {:.0}", m(&|o| (o.cause==Cause::Finished) as u8 as f64), m(&|o|o.time_s), m(&|o|o.reward.total_s()), m(&|o|o.shifts as f64), m(&|o|o.reversals as f64), m(&|o|o.failed_upshifts as f64), m(&|o|o.missed_engagements as f64), m(&|o|o.stall_s), m(&|o|o.damage*1e6), m(&|o|o.reward.stress_s), m(&|o|o.energy_j)); };
  let rule=|s:&RuleSettings| Rule::new(s.clone(),3).unwrap();
  let t=std::time::Instant::now();
  for (n,s) in [("first",RuleSettings::first_gear(3)),("upshift only",RuleSettings::upshift_only(3,850)),("stall aware",RuleSettings::stall_aware(3,850,10)),("hand",st.rule.clone()),("hand on ratio",st.rule_on(Signal::SpeedRatio))] { show(n,&test.outcomes(|| rule(&s))); }
  println!("{:.1}s", t.elapsed().as_secs_f64());
  let plan=std::env::args().any(|a|a=="plan");
  if plan {
  let t=std::time::Instant::now();
  for fine in [Fineness{position_m:0.03,speeds:14}] {
  let po: Vec<(Outcome,f64)>=(0..test.courses).into_par_iter().map(|e| { let mut d=Drive::new(test.scenario().clone(), e); let p=Plan::new(&d,fine); let val=p.start_value(test.scenario()); drive_plan(&mut d,&p); (d.outcome(),val)}).collect();
  show("plan executed", &po.iter().map(|p|p.0).collect::<Vec<_>>());
  println!("bound value {:.1}  {:?} {:.1}s", po.iter().map(|p|p.1).sum::<f64>()/po.len() as f64, fine, t.elapsed().as_secs_f64());
  } }
  let jobs: Vec<(Signal,u64)> = vec![(Signal::MotorSpeed,0),(Signal::SpeedRatio,0)];
  let t=std::time::Instant::now();
  let best: Vec<(Signal,SearchMemory,RuleSettings)>=jobs.par_iter().map(|&(sig,k)| {
     let start=st.rule_on(sig);
     let s=Search{budget:st.tuning.budget, training:&training, validation:&val, build:|x:&[f64]| start.with_vector(x).ok().and_then(|r| Rule::new(r,3).ok()), start:start.to_vector(), seed: Seed(7+k).part(sig as u64)};
     let m=s.run(SearchMemory::default(), |_,_| Ok(())).unwrap();
     let r=start.with_vector(&m.best).unwrap(); (sig,m,r)}).collect();
  for (sig,m,r) in &best { println!("{sig:?} {:?}\n {:?} ticks {}M", m.curve.iter().map(|p|(p.mean*10.0).round()/10.0).collect::<Vec<_>>(), r, m.ticks/1000000); show("tuned", &test.outcomes(|| rule(r))); }
  println!("{:.1}s", t.elapsed().as_secs_f64());
  let t=std::time::Instant::now();
  let base=ContextualSettings::from_rule(&best[1].2);
  let cs: Vec<SearchMemory>=(0..2u64).into_par_iter().map(|k| { let s=Search{budget:st.learners.contextual.unwrap().budget, training:&training, validation:&val, build:|x:&[f64]| base.with_weights(x).ok().and_then(|r| Contextual::new(r,3).ok()), start:base.weights(), seed: Seed(70+k)}; s.run(SearchMemory::default(), |_,_| Ok(())).unwrap() }).collect();
  for m in &cs { println!("ctx {:?} ticks {}M", m.curve.iter().map(|p|(p.mean*10.0).round()/10.0).collect::<Vec<_>>(), m.ticks/1000000); show("contextual", &test.outcomes(|| Contextual::new(base.with_weights(&m.best).unwrap(),3).unwrap())); }
  println!("{:.1}s", t.elapsed().as_secs_f64());
  let _=Arc::new(0);
}
