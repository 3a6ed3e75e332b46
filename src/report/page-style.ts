// The style of the report page. Colours of states and strips after Okabe & Ito, "Color Universal Design" (2008):
// orange E69F00, sky blue 56B4E9, bluish green 009E73, blue 0072B2, vermilion D55E00, reddish purple CC79A7.

/** CSS; no fonts, pictures or sheets from elsewhere. */
export const pageStyle = `
:root {
  color-scheme: light dark;
  --paper: #fff; --panel: #f5f6f7; --ink: #1b2126; --dim: #57616a; --line: #d3d8dc; --link: #00568a;
  --whole: #009e73; --unproven: #56b4e9; --partial: #e69f00; --disputed: #cc79a7;
  --several: #0072b2; --once: #56b4e9; --missing: #d55e00;
}
@media screen and (prefers-color-scheme: dark) {
  :root { --paper: #14181b; --panel: #1c2226; --ink: #e3e7ea; --dim: #9ca7af; --line: #363f46; --link: #7cc4f0;
    --several: #56b4e9; --once: #0072b2; }
}
* { box-sizing: border-box; }
html { -webkit-text-size-adjust: 100%; scroll-padding-top: 4rem; }
body { margin: 0 auto; padding: 0 clamp(.8rem, 2.5vw, 3rem) 3rem; max-width: 170rem; background: var(--paper); color: var(--ink);
  font: 15px/1.5 system-ui, "Segoe UI", "Noto Sans", "DejaVu Sans", sans-serif; overflow-wrap: break-word; }
[hidden] { display: none; }
h1 { font-size: 1.6rem; line-height: 1.25; margin: 1.5rem 0 .25rem; overflow-wrap: anywhere; }
h2 { font-size: 1.25rem; margin: 1.4rem 0 .8rem; }
h2:focus { outline: none; }
h3 { font-size: 1.05rem; margin: 1.8rem 0 .4rem; overflow-wrap: anywhere; }
article h3 { font-size: 1rem; margin: 0; }
h3 small { color: var(--dim); font-weight: 400; margin-left: .4rem; white-space: nowrap; }
p { margin: .35rem 0; max-width: 75ch; }
a { color: var(--link); }
a:focus-visible, summary:focus-visible, button:focus-visible, input:focus-visible, select:focus-visible, [tabindex]:focus-visible {
  outline: 2px solid var(--link); outline-offset: 2px; }
h2:focus-visible { outline: none; }
code, .code { font-family: ui-monospace, "DejaVu Sans Mono", monospace; font-size: .85em; overflow-wrap: anywhere; }
nav { position: sticky; top: 0; z-index: 2; background: var(--paper); border-bottom: 1px solid var(--line); }
header { display: contents; }
nav ul { display: flex; flex-wrap: wrap; gap: .1rem .3rem; margin: 0; padding: 0; list-style: none; }
nav a { display: block; padding: .45rem .6rem; text-decoration: none; border-bottom: 3px solid transparent; }
nav a:hover { text-decoration: underline; }
nav a[aria-current] { color: var(--ink); font-weight: 600; border-color: var(--link); }
.dim, footer, dd { color: var(--dim); }
.dim { font-size: .9em; }
time .dim { white-space: nowrap; }
.lead { font-size: 1.15rem; font-weight: 600; }
.unseen { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); white-space: nowrap; }
.figures { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(9.8rem, 45%), 1fr)); gap: .8rem 1rem; margin: 1rem 0 0; max-width: 80rem; }
.figures div { border-left: 2px solid var(--line); padding-left: .7rem; }
.figures dt { color: var(--dim); font-size: .9em; }
.figures dd { margin: 0; color: var(--ink); font-size: 1.05rem; font-variant-numeric: tabular-nums; }
.legend { margin: .5rem 0; padding: 0; }
.states, .terms { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(100%, 16.5rem), 1fr)); gap: .35rem 1.5rem; max-width: 110rem; }
.legend dt, .legend dd { display: inline; margin: 0; }
.terms dt { font-weight: 600; color: var(--dim); }
.keys { display: flex; flex-wrap: wrap; gap: .3rem 1.5rem; list-style: none; }
.key { width: 1.6rem; height: 1.85rem; vertical-align: -.5rem; margin-right: .2rem; }
.settings { display: grid; gap: .2rem; }
.settings div { display: grid; grid-template-columns: minmax(8rem, 14rem) minmax(0, 1fr); gap: 0 1rem; border-bottom: 1px solid var(--line); padding: .2rem 0; }
.settings dd { margin: 0; color: var(--ink); overflow-wrap: anywhere; }
.state { white-space: nowrap; font-weight: 600; border-left: .4rem solid; padding-left: .4rem; }
.whole { border-color: var(--whole); } .unproven { border-color: var(--unproven); }
.partial { border-color: var(--partial); } .disputed { border-color: var(--disputed); }
.tools { display: flex; flex-wrap: wrap; gap: .5rem .8rem; align-items: center; margin: .4rem 0; }
.tools label { display: inline-flex; flex-wrap: wrap; gap: 0 .4rem; align-items: center; }
.tools fieldset { display: flex; flex-wrap: wrap; gap: .2rem 1rem; border: 0; margin: 0; padding: 0; min-width: 0; }
.tools legend { float: left; padding: 0 .8rem 0 0; }
.tools textarea { flex-basis: 100%; font: .85rem ui-monospace, monospace; }
button, select, input[type=search] { font: inherit; color: var(--ink); background: var(--panel); border: 1px solid var(--dim); border-radius: .25rem; padding: .2rem .6rem; max-width: 100%; }
button { cursor: pointer; }
button:disabled { color: var(--dim); border-color: var(--line); cursor: default; }
.files { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(100%, 33rem), 1fr)); gap: .8rem; margin-top: 1rem; align-items: start; }
.gallery { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(100%, 17rem), 1fr)); gap: .8rem; margin-top: 1rem; }
article { padding: .8rem; background: var(--panel); border: 1px solid var(--line); min-width: 0; }
.files article, .gallery article { content-visibility: auto; contain-intrinsic-size: auto 8rem; }
.gallery article { contain-intrinsic-size: auto 22rem; }
.exhibit { display: grid; place-items: center; min-height: 11.5rem; margin-bottom: .5rem; }
.exhibit img, .exhibit video { display: block; max-width: 100%; height: auto; }
.exhibit video { background: #000; }
.defs { position: absolute; }
.strip { display: block; width: 100%; height: 28px; overflow: hidden; }
.strip-box { margin: .4rem 0; min-height: 28px; }
.once { fill: var(--once); } .several { fill: var(--several); }
.mark { fill: var(--missing); stroke: var(--missing); stroke-width: 2; }
.key .mark { stroke: none; }
.hatch { stroke: var(--missing); stroke-width: 2.5; }
.frame-exact { fill: var(--several); } .frame-tainted { fill: var(--once); } .frame-damaged { fill: var(--missing); }
.zoom { margin: .6rem 0; }
.drawing { position: relative; padding: .3rem 0; cursor: crosshair; touch-action: pan-y; user-select: none; }
.drawing > .strip { height: 56px; }
.dragged { position: absolute; top: 0; bottom: 0; background: var(--link); opacity: .25; border: solid var(--ink); border-width: 0 1px; }
.shown { font-variant-numeric: tabular-nums; max-width: none; }
.pointed { font-variant-numeric: tabular-nums; min-height: 1.5em; max-width: none; }
.lanes { position: relative; }
.lane { position: relative; padding-top: 1.4rem; border-bottom: 1px solid var(--line); }
.lane .strip { height: 40px; }
.lane-name { position: absolute; top: 0; left: 0; font-size: .9em; font-weight: 600; background: var(--paper); padding-right: .4rem; z-index: 1; max-width: 100%; overflow: hidden; text-overflow: ellipsis; white-space: nowrap; }
.listened { fill: var(--dim); }
.axis { position: relative; height: 2.6em; font-size: .85em; color: var(--dim); font-variant-numeric: tabular-nums; overflow: hidden; }
.axis span { position: absolute; bottom: 0; padding-left: .25em; }
.axis b { position: absolute; top: 0; left: 0; font-weight: 400; }
.marks { position: absolute; inset: 1.4rem 0 0; width: 100%; height: calc(100% - 1.4rem); pointer-events: none; }
.rotation { stroke: var(--dim); stroke-width: 1; stroke-dasharray: 3 3; }
.break { stroke: var(--missing); stroke-width: 3; }
.ranges { max-width: none; max-height: 14rem; overflow: auto; }
.holders { list-style: none; padding: 0; margin: .4rem 0; display: flex; flex-wrap: wrap; gap: 0 1.5rem; font-variant-numeric: tabular-nums; }
summary { cursor: pointer; }
details p { font-variant-numeric: tabular-nums; overflow-wrap: anywhere; }
.scroll { overflow: auto; max-height: min(85vh, 46rem); margin: .6rem 0; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; }
caption { text-align: left; padding-bottom: .4rem; color: var(--dim); }
caption div { position: sticky; left: 0; width: fit-content; max-width: calc(100vw - 1.8rem); }
th, td { padding: .3rem .8rem .3rem 0; text-align: left; vertical-align: top; border-bottom: 1px solid var(--line); }
thead th { position: sticky; top: 0; background: var(--paper); vertical-align: bottom; font-size: .85em; color: var(--dim); }
thead button { border: 0; background: none; padding: 0; color: inherit; font-weight: inherit; text-align: inherit; text-decoration: underline dotted; text-underline-offset: .2em; }
tbody th { font-weight: 600; min-width: 9rem; max-width: 30rem; overflow-wrap: anywhere; }
td.words { min-width: 13rem; }
td.code { min-width: 18rem; }
.n { text-align: right; white-space: nowrap; }
thead .n { white-space: normal; max-width: 9rem; }
.facts { display: flex; flex-wrap: wrap; gap: 0 .9rem; max-width: none; }
.facts span { white-space: nowrap; }
footer p { max-width: none; }
footer { margin-top: 3rem; padding-top: .8rem; border-top: 1px solid var(--line); font-size: .9em; }
@media (max-width: 30rem) { nav { position: static; } .settings div { grid-template-columns: minmax(0, 1fr); } }
@page { size: A4; margin: 14mm; }
@media print {
  :root { color-scheme: light; }
  body { font-size: 10pt; padding: 0; max-width: none; }
  nav, .tools, .help, .pointed, .on-screen { display: none; }
  h2, h3, caption { break-after: avoid; }
  h2 { border-bottom: 1px solid var(--line); }
  .files article, .gallery article { content-visibility: visible; background: none; }
  article { break-inside: avoid; }
  .files { grid-template-columns: minmax(0, 1fr); }
  .gallery { grid-template-columns: repeat(3, minmax(0, 1fr)); }
  .scroll, .ranges { overflow: visible; max-height: none; }
  thead th { position: static; }
  thead button { text-decoration: none; }
  table { font-size: 7.5pt; } th, td { padding-right: 1.5mm; } tbody th { min-width: 0; } td.words, td.code { min-width: 0; }
  tr { break-inside: avoid; }
  a { color: inherit; text-decoration: none; }
}
`;
