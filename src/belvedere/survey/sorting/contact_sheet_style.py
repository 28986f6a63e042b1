"""How the contact sheet looks: ink on paper by day, a dim room by night, black on white in print."""

STYLE = """
:root {
  color-scheme: light dark;
  --paper: #f4f2ec; --ink: #23282d; --quiet: #5b6268; --line: #cdc9bd; --hollow: #e7e3d8; --alarm: #8a3d12;
  --link: #1f5560;
}
@media (prefers-color-scheme: dark) {
  :root {
    --paper: #15181b; --ink: #d9d6cd; --quiet: #9aa0a4; --line: #3a4045; --hollow: #1f2428; --alarm: #e2a06f;
    --link: #8fc1c9;
  }
}
* { box-sizing: border-box; }
body {
  margin: 0 auto; padding: 2rem clamp(1rem, 3vw, 3rem) 3rem; max-width: 112rem;
  background: var(--paper); color: var(--ink); font: 1rem/1.5 system-ui, sans-serif;
}
h1 { margin: 0; font-size: 1.5rem; font-weight: 600; line-height: 1.25; }
h2 { margin: 0; font-size: 1.15rem; font-weight: 600; }
header p, .facts, footer { color: var(--quiet); }
header p { margin: .25rem 0 1.5rem; overflow-wrap: anywhere; }
a { color: var(--link); }
a:focus-visible, .scroll:focus-visible, summary:focus-visible {
  outline: 2px solid var(--link); outline-offset: 2px;
}
table { border-collapse: collapse; font-variant-numeric: tabular-nums; }
th, td {
  padding: .3rem 1.4rem .3rem 0; text-align: left; white-space: nowrap; border-bottom: 1px solid var(--line);
}
thead th { color: var(--quiet); font-weight: 400; font-size: .85rem; }
tbody th { font-weight: 600; }
section { margin-top: 2.5rem; padding-top: 1rem; border-top: 1px solid var(--line); }
section > p { margin: .15rem 0; max-width: 75ch; }
.doubt { color: var(--alarm); font-weight: 600; }
.scroll { overflow-x: auto; }
.grid { margin-top: .9rem; display: grid; gap: .45rem; width: max-content; max-width: 100%; }
.row {
  display: grid; gap: .45rem; margin: 0; padding: 0; list-style: none;
  grid-template-columns: repeat(var(--columns), minmax(3.6rem, var(--wide)));
}
figure { margin: 0; }
img { display: block; width: 100%; height: auto; background: var(--hollow); }
figcaption {
  margin-top: .15rem; font-size: .7rem; line-height: 1.3; color: var(--quiet); overflow-wrap: anywhere;
}
.empty {
  display: grid; place-items: center; width: 100%; border: 1px dashed var(--alarm); color: var(--alarm);
  font-size: .75rem; text-align: center;
}
.unseen { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); }
.missing { position: relative; }
.apart {
  display: grid; gap: 1rem; grid-template-columns: repeat(auto-fill, minmax(10rem, 1fr));
  margin: .9rem 0 0; padding: 0; list-style: none;
}
.apart img { width: auto; max-width: 10rem; max-height: 10rem; }
.apart figcaption { font-size: .8rem; }
.apart .name { display: block; color: var(--ink); }
.apart .empty { border-color: var(--line); color: var(--quiet); max-width: 10rem; }
.markers img { filter: grayscale(1) contrast(.7); opacity: .6; }
details { margin-top: .8rem; font-size: .85rem; }
footer { margin-top: 3rem; border-top: 1px solid var(--line); font-size: .9rem; }
@media print {
  :root {
    color-scheme: light; --paper: #fff; --ink: #000; --quiet: #444; --line: #bbb; --hollow: #eee;
    --alarm: #7a2e05; --link: #000;
  }
  body { padding: 0; max-width: none; font-size: 9pt; }
  .scroll { overflow: visible; }
  .grid { width: 100%; }
  .row { grid-template-columns: repeat(var(--columns), minmax(0, var(--wide))); }
  .row figcaption { font-size: 5.5pt; }
  .row, .apart li, tr { break-inside: avoid; }
  h2, .facts { break-after: avoid; }
  .markers img, .empty { print-color-adjust: exact; }
}
"""
