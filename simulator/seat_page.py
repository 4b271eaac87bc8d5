"""The page of the driver's seat, one string without anything from elsewhere."""

PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width,initial-scale=1">
<title>Driver's seat (simulated)</title>
<style>
:root{color-scheme:dark}*{box-sizing:border-box}
body{margin:0;padding:1rem;background:#17150f;color:#ece5d3;font:1.05rem/1.45 Georgia,serif;
max-width:46rem;margin-inline:auto}
h1{font-size:1.2rem;font-weight:normal;margin:.2rem 0 1rem;color:#d8b46a}
section{border-top:1px solid #4a4230;padding:.8rem 0}
button,select,input{font:inherit;color:inherit;background:#2a261b;border:1px solid #6b5f42;
border-radius:.2rem;padding:.55rem .9rem;margin:.15rem;min-height:2.8rem}
button:active,button[aria-pressed=true]{background:#d8b46a;color:#17150f}
input[type=range]{width:100%;accent-color:#d8b46a;padding:0;margin:0}
dl{display:grid;grid-template-columns:repeat(auto-fill,minmax(9rem,1fr));gap:.5rem;margin:0}
dt{color:#a89c7c;font-size:.85rem}dd{margin:0;font-size:1.3rem;font-variant-numeric:tabular-nums}
#told{min-height:1.5rem;color:#e39a6d}
.stale dd{opacity:.35}
</style></head><body>
<h1>Driver's seat of the simulated truck</h1>
<section><label for="pedal">Pedal <output id="pedalValue">0</output> %</label>
<input id="pedal" type="range" min="0" max="100" value="0">
<button data-tell='{"pedal":100}'>Full throttle</button>
<button data-tell='{"pedal":0}'>Lift</button>
<button data-tell='{"brake":40}'>Brake</button>
<button data-tell='{"brake":0}'>Brake off</button></section>
<section id="gears">Gear </section>
<section>Transfer case
<button data-tell='{"transfer-case":"locked"}'>locked</button>
<button data-tell='{"transfer-case":"open"}'>open</button>
<button data-tell='{"transfer-case":"rear"}'>rear axle only</button>
<button data-tell='{"engine":"off"}'>Engine off</button>
<button data-tell='{"engine":"on"}'>Engine on</button></section>
<section><dl id="readout"></dl></section>
<section>Break something<br>
<select id="target" aria-label="what"></select><select id="kind" aria-label="how"></select>
<input id="channel" placeholder="channel" size="12" aria-label="channel">
<input id="amount" placeholder="amount" size="6" inputmode="decimal" aria-label="amount">
<button id="breakIt">Break it</button><button data-tell='{"mend":true}'>Mend all</button>
<p id="meaning"></p><p id="broken"></p></section>
<p id="told" role="status"></p>
<script>
const $=id=>document.getElementById(id);
async function tell(words){
 try{const r=await fetch('/tell',{method:'POST',headers:{'Content-Type':'application/json'},
 body:JSON.stringify(words)});const b=await r.json();$('told').textContent=r.ok?'':b.problem;
 if(r.ok)show(b)}catch(e){$('told').textContent='The simulator does not answer.'}}
for(const [g,n] of [[-1,'auto'],[0,'N'],[1,'1'],[2,'2'],[3,'3'],[4,'4'],[5,'5'],[6,'6']]){
 const b=document.createElement('button');b.textContent=n;b.dataset.tell=JSON.stringify({gear:g});
 b.dataset.gear=g;$('gears').append(b)}
document.addEventListener('click',e=>{const t=e.target.dataset.tell;if(t)tell(JSON.parse(t))});
let held=false;const p=$('pedal');
p.addEventListener('pointerdown',()=>held=true);p.addEventListener('pointerup',()=>held=false);
p.addEventListener('input',()=>{$('pedalValue').textContent=p.value;tell({pedal:+p.value})});
const rows=[['Engine','rev/min',t=>t.engine_radps*9.5493],['Front','km/h',t=>t.front_speed_mps*3.6],
['Rear','km/h',t=>t.rear_speed_mps*3.6],['At the rolls','kW',t=>t.power_w/1e3],
['Front pulls','N',t=>t.front_tractive_n],['Rear pulls','N',t=>t.rear_tractive_n],
['Boost','kPa',t=>t.boost_pa/1e3],['Gear','',t=>t.gear,0],
['Hottest rotor','\\u00b0C',t=>Math.max(...Object.entries(t).filter(([k])=>k.endsWith('_skin_k'))
.map(([,v])=>v))-273.15]];
const cells=rows.map(([n,u])=>{const d=document.createElement('div');
 d.innerHTML='<dt></dt><dd></dd>';d.firstChild.textContent=u?n+', '+u:n;$('readout').append(d);
 return d.lastChild});
function show(s){rows.forEach((r,i)=>{const v=r[2](s.truth);
 cells[i].textContent=Number.isFinite(v)?
  v.toFixed(r[3]??(Math.abs(v)<100?1:0)):'-'});
 if(!held){p.value=s.pedal;$('pedalValue').textContent=Math.round(s.pedal)}
 for(const b of document.querySelectorAll('[data-gear]'))
  b.setAttribute('aria-pressed',+b.dataset.gear===s.gear);
 for(const b of document.querySelectorAll('[data-tell*=transfer-case]'))
  b.setAttribute('aria-pressed',JSON.parse(b.dataset.tell)['transfer-case']===s['transfer-case']);
 $('broken').textContent=s.faults.length?'Broken: '+s.faults.join('; '):''}
let menu={};
function kinds(){const k=menu[$('target').value]||{};$('kind').innerHTML='';
 for(const n in k)$('kind').add(new Option(n));meaning()}
function meaning(){$('meaning').textContent=(menu[$('target').value]||{})[$('kind').value]||''}
fetch('/menu').then(r=>r.json()).then(m=>{menu=m;
 for(const n in m)$('target').add(new Option(n));kinds()});
$('target').onchange=kinds;$('kind').onchange=meaning;
$('breakIt').onclick=()=>tell({fault:{target:$('target').value,kind:$('kind').value,
 channel:$('channel').value.trim(),amount:+$('amount').value||0}});
async function poll(){try{show(await(await fetch('/state')).json());
 $('readout').classList.remove('stale')}catch(e){$('readout').classList.add('stale')}
 setTimeout(poll,250)}
poll();
</script></body></html>
"""
