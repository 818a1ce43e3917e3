"""The look of the report pages, for a screen of any width, for paper and for a screen reader."""

STYLE = """
:root { --ink: #1a1d21; --quiet: #50565d; --line: #c9ced4; --blue: #23527f; --wash: #f2f5f8; --warn: #9a4508; }
* { box-sizing: border-box; }
html { -webkit-text-size-adjust: 100%; }
body { margin: 0 auto; padding: 1rem; max-width: 64rem; color: var(--ink); background: #fff;
  font: 1rem/1.5 system-ui, "Segoe UI", Roboto, "DejaVu Sans", sans-serif; }
h1 { font-size: 1.7rem; line-height: 1.2; margin: 0 0 .3rem; overflow-wrap: anywhere; }
h2 { font-size: 1.25rem; margin: 2.2rem 0 .5rem; border-bottom: 2px solid var(--line); padding-bottom: .2rem;
  overflow-wrap: anywhere; }
h3 { font-size: 1.05rem; margin: 1.2rem 0 .4rem; overflow-wrap: anywhere; }
p, ul, dl { margin: .4rem 0; }
li { margin: .2rem 0; }
a { color: var(--blue); }
:focus-visible { outline: 3px solid var(--blue); outline-offset: 2px; }
.skip { position: absolute; left: -100rem; }
.skip:focus { left: 1rem; top: 1rem; background: #fff; padding: .5rem; }
.quiet { color: var(--quiet); }
.abilities { display: grid; grid-template-columns: repeat(auto-fit, minmax(17rem, 1fr)); gap: 1rem; margin: 1rem 0; }
.abilities > section { background: var(--wash); border-left: .4rem solid var(--blue); padding: .6rem 1rem; }
.abilities > section.cannot { border-left: .4rem double var(--warn); }
.abilities h2 { border: 0; margin: 0 0 .3rem; padding: 0; }
.abilities ul { padding-left: 1.1rem; }
nav ul { display: flex; flex-wrap: wrap; gap: .1rem 1rem; padding: 0; list-style: none; }
.cautions { border: 2px solid var(--warn); padding: .6rem 1rem; margin: 1rem 0; }
.wide { overflow-x: auto; margin: .6rem 0; }
table { border-collapse: collapse; font-size: .92rem; }
caption { min-width: 16rem; text-align: left; color: var(--quiet); padding: .2rem 0; }
th, td { padding: .25rem .6rem; border-bottom: 1px solid var(--line); text-align: left; vertical-align: top; }
th { font-weight: 600; }
th[scope=row] { white-space: nowrap; }
th.long { white-space: normal; min-width: 12rem; }
thead th { border-bottom: 2px solid var(--quiet); }
td.number, th.number { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
td { overflow-wrap: break-word; max-width: 34rem; }
td.long { min-width: 16rem; }
code { font-size: .88em; overflow-wrap: anywhere; }
figure { margin: 1rem 0; }
figcaption { color: var(--ink); max-width: 46rem; }
.drawing svg { display: block; width: calc(var(--in) * 6.4rem); max-width: 100%; height: auto;
  min-width: min(30rem, calc(var(--in) * 6.4rem)); }
details { margin: .3rem 0; }
summary { cursor: pointer; color: var(--blue); }
.decision { font-size: 1.6rem; font-weight: 700; text-transform: uppercase; letter-spacing: .03em;
  border: 3px solid var(--ink); padding: .1rem .8rem; display: inline-block; }
.sheet { border-top: 3px solid var(--ink); margin-top: 2rem; padding-top: .6rem; }
.facts { display: grid; grid-template-columns: repeat(auto-fit, minmax(15rem, 1fr)); gap: .1rem 1.5rem; }
.facts > div { display: flex; gap: .6rem; border-bottom: 1px solid var(--line); padding: .15rem 0; }
.facts dt { color: var(--quiet); flex: 0 0 8.5rem; }
.facts dd { margin: 0; overflow-wrap: anywhere; }
.pair { display: grid; grid-template-columns: repeat(auto-fit, minmax(19rem, 1fr)); gap: .5rem; }
.pair .drawing svg { min-width: 0; }
.sign { display: grid; grid-template-columns: repeat(auto-fit, minmax(12rem, 1fr)); gap: 1.2rem; margin-top: 1.4rem; }
.sign div { border-top: 1px solid var(--ink); padding-top: .1rem; color: var(--quiet); font-size: .9rem; }
@media screen and (max-width: 34rem) {
  .drawing:not(.pair *) + figcaption::before { content: "↔ scroll sideways · "; color: var(--quiet); }
}
@page { size: A4; margin: 14mm; }
@media print {
  body { padding: 0; max-width: none; font-size: 10pt; }
  nav, .skip, summary { display: none; }
  .wide { overflow: visible; }
  figure, tr, .cautions, .abilities > section { break-inside: avoid; }
  h2, h3 { break-after: avoid; }
  .drawing svg { min-width: 0; width: calc(var(--in) * 1in); max-height: 165mm; }
  section[aria-labelledby=versions] { break-inside: avoid; }
  .sheet { break-before: page; break-inside: avoid; border: 0; margin: 0; }
  .sheet, .alone { font-size: 9.5pt; line-height: 1.4; }
  .sheet li, .alone li { margin: 0; }
  .decision { font-size: 1.2rem; margin: .2rem 0; }
  .alone p, .sheet p { margin: .25rem 0; }
  h1 { font-size: 1.4rem; }
  .facts dt { flex-basis: 6.5rem; }
  .sheet > h2, .alone { margin-top: 0; }
  .sheet .drawing svg, .alone .drawing svg { max-height: 56mm; }
  .sheet .pair, .alone .pair { grid-template-columns: 1fr 1fr; }
  .sheet .facts, .alone .facts { grid-template-columns: 1fr 1fr; }
  .sheet .cautions, .alone .cautions { font-size: 8.5pt; border-width: 1px; }
  table { font-size: 8.5pt; }
  a { color: inherit; text-decoration: none; }
}
"""
