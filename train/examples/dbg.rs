//! scratch
use lowgear_env::*; use lowgear_eval::bound::*; use std::path::Path; use std::sync::Arc;
fn main(){
  let base=Path::new("configs");
  let mut v: vehicle::VehicleConfig = config::load(&base.join("vehicles/demo-cart.toml")).unwrap();
  v.variation=v.variation.nominal();
  for (name,sect) in [("rod","[[sections]]\nlength-m=1.0\nsurface=\"path\"\n[[sections]]\nlength-m=1.0\nsurface=\"path\"\nobstacle-height-m=0.008\n[[sections]]\nlength-m=1.0\nsurface=\"path\"\n"),("ramp","[[sections]]\nlength-m=1.0\nsurface=\"path\"\n[[sections]]\nlength-m=1.0\nsurface=\"path\"\ngrade-deg=8.0\n[[sections]]\nlength-m=1.0\nsurface=\"path\"\n"),("grass","[[sections]]\nlength-m=1.0\nsurface=\"path\"\n[[sections]]\nlength-m=1.0\nsurface=\"long\"\n[[sections]]\nlength-m=1.0\nsurface=\"path\"\n")] {
  let text=format!("name=\"flat\"\nsurfaces=[{{name=\"path\",rolling=0.032,friction=0.85}},{{name=\"long\",rolling=0.22,drag-s-m=0.25,friction=0.7}}]\n{sect}");
  let c: terrain::CourseConfig = config::parse(&text, Path::new("x")).unwrap();
  let mut e=EpisodeConfig::default(); e.reward.reference_speed_m_s=0.2;
  let sc=Arc::new(Scenario::new(v.clone(),(c,None),e,Seed(1)));
  let mut d=Drive::new(sc.clone(),0).with_trace();
  for (p,s) in [(0.03,14),(0.01,14),(0.005,28)] { let plan=Plan::new(&d,Fineness{position_m:p,speeds:s}); println!("{name} {p} {s} value {:.2}", plan.start_value(&sc)); }
  let plan=Plan::new(&d,Fineness{position_m:0.01,speeds:20});
  drive_plan(&mut d,&plan);
  println!("{:?}", d.outcome());
  if std::env::args().nth(1).as_deref()==Some(name) { for r in d.into_trace().iter().filter(|r| r.position_m>0.8 && r.position_m<2.2).step_by(2).take(90) { println!("{:.2} x {:.3} v {:.3} g {} {} {} {}", r.time_s,r.position_m,r.speed_m_s,r.gear_in_mesh,r.request,r.verdict,r.guard); }}
  }
}
