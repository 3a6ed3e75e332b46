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
html { -webkit-text-size-adjust: 100%; }
body { margin: 0 auto; padding: 1.5rem clamp(.8rem, 2.5vw, 3rem) 3rem; max-width: 170rem; background: var(--paper); color: var(--ink);
  font: 15px/1.5 system-ui, "Segoe UI", "Noto Sans", "DejaVu Sans", sans-serif; overflow-wrap: break-word; }
h1 { font-size: 1.6rem; line-height: 1.25; margin: 0 0 .25rem; overflow-wrap: anywhere; }
h2 { font-size: 1.2rem; margin: 2.4rem 0 .8rem; padding-bottom: .25rem; border-bottom: 1px solid var(--line); }
h3 { font-size: 1rem; margin: 0; overflow-wrap: anywhere; }
h3 small { color: var(--dim); font-weight: 400; margin-left: .4rem; white-space: nowrap; }
p { margin: .35rem 0; max-width: 75ch; }
a { color: var(--link); }
a:focus-visible, summary:focus-visible, .scroll:focus-visible { outline: 2px solid var(--link); outline-offset: 2px; }
code, .code { font-family: ui-monospace, "DejaVu Sans Mono", monospace; font-size: .85em; overflow-wrap: anywhere; }
nav ul { display: flex; flex-wrap: wrap; gap: .2rem 1.2rem; margin: 0; padding: 0; list-style: none; }
.dim, footer, dd { color: var(--dim); }
.dim { font-size: .9em; }
.lead { font-size: 1.15rem; font-weight: 600; }
.figures { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(9.8rem, 45%), 1fr)); gap: .8rem 1rem; margin: 1rem 0 0; max-width: 80rem; }
.figures div { border-left: 2px solid var(--line); padding-left: .7rem; }
.figures dt { color: var(--dim); font-size: .9em; }
.figures dd { margin: 0; color: var(--ink); font-size: 1.05rem; font-variant-numeric: tabular-nums; }
.legend { margin: .5rem 0; padding: 0; }
.states, .terms { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(100%, 16.5rem), 1fr)); gap: .35rem 1.5rem; }
.legend dt, .legend dd { display: inline; margin: 0; }
.terms dt { font-weight: 600; color: var(--dim); }
.keys { display: flex; flex-wrap: wrap; gap: .3rem 1.5rem; list-style: none; }
.keys .strip { width: 2.6rem; display: inline-block; vertical-align: -8px; margin: 0 .3rem 0 0; }
.state { white-space: nowrap; font-weight: 600; border-left: .4rem solid; padding-left: .4rem; }
.whole { border-color: var(--whole); } .unproven { border-color: var(--unproven); }
.partial { border-color: var(--partial); } .disputed { border-color: var(--disputed); }
.files { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(100%, 33rem), 1fr)); gap: .8rem; margin-top: 1rem; }
article { display: grid; grid-template-columns: 8rem minmax(0, 1fr); gap: .9rem; padding: .8rem; background: var(--panel); border: 1px solid var(--line); }
.many article { content-visibility: auto; contain-intrinsic-size: auto 9rem; }
.picture { display: grid; place-items: center; align-self: start; min-height: 6rem; border: 1px dashed var(--line); }
.picture:has(img) { border: 0; min-height: 0; }
.picture img { display: block; max-width: 100%; height: auto; }
.defs { position: absolute; }
.strip { display: block; width: 100%; height: 26px; margin: .4rem 0; overflow: hidden; }
.strip path { fill: none; stroke-width: 20; }
.strip .o { stroke: url(#once); } .strip .s { stroke: var(--several); }
.strip .m { stroke: var(--missing); stroke-width: 5; stroke-linecap: square; }
.hatch { stroke: var(--missing); stroke-width: 2.5; }
stop.paper { stop-color: var(--paper); } stop.once { stop-color: var(--once); }
summary { cursor: pointer; }
details p { font-variant-numeric: tabular-nums; overflow-wrap: anywhere; }
.scroll { overflow: auto; max-height: min(85vh, 46rem); margin: .6rem 0; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; }
caption { text-align: left; padding-bottom: .4rem; color: var(--dim); }
caption div { position: sticky; left: 0; width: fit-content; max-width: calc(100vw - 1.8rem); }
th, td { padding: .3rem .8rem .3rem 0; text-align: left; vertical-align: top; border-bottom: 1px solid var(--line); }
thead th { position: sticky; top: 0; background: var(--paper); vertical-align: bottom; font-size: .85em; color: var(--dim); }
tbody th { font-weight: 600; min-width: 11rem; max-width: 30rem; overflow-wrap: anywhere; }
td.words { min-width: 13rem; }
td.code { min-width: 18rem; }
.n { text-align: right; white-space: nowrap; }
thead .n { white-space: normal; max-width: 12rem; }
.facts { display: flex; flex-wrap: wrap; gap: 0 .9rem; max-width: none; }
.facts span { white-space: nowrap; }
footer p { max-width: none; }
footer { margin-top: 3rem; padding-top: .8rem; border-top: 1px solid var(--line); font-size: .9em; }
@media screen and (min-width: 115rem) { main { display: grid; grid-template-columns: repeat(2, minmax(0, 1fr)); column-gap: 3rem; } #summary, #files { grid-column: 1 / -1; } }
@media (max-width: 30rem) { article { grid-template-columns: minmax(0, 1fr); } .picture { justify-self: start; min-height: 2.5rem; padding: 0 .6rem; } .picture:has(img) { padding: 0; } }
@page { size: A4; margin: 14mm; }
@media print {
  .many article { content-visibility: visible; }
  :root { color-scheme: light; }
  body { font-size: 10pt; padding: 0; max-width: none; }
  nav { display: none; }
  h2, h3, caption { break-after: avoid; }
  article { break-inside: avoid; grid-template-columns: 6rem minmax(0, 1fr); background: none; }
  .files { grid-template-columns: minmax(0, 1fr); }
  .scroll { overflow: visible; max-height: none; }
  thead th { position: static; }
  table { font-size: 7.5pt; } th, td { padding-right: 1.5mm; } tbody th { min-width: 0; } td.words, td.code { min-width: 0; }
  tr { break-inside: avoid; }
  a { color: inherit; text-decoration: none; }
}
`;
