"""The fixed words and regions of the page. Constants only: nothing of a plan is ever put into this text."""

from __future__ import annotations

from typing import Final

MAP_PLACE: Final = "<!-- the map -->"

BODY: Final = f"""
<a class="skip" href="#ledger">Skip the map, go to the list of links</a>
<header id="cartouche">
  <p id="kind-of-sheet">Radio network plan</p>
  <h1 id="title"></h1>
  <p id="state"></p>
  <div id="tools" role="group" aria-label="Tools">
    <form id="search" role="search">
      <label for="search-name">Find a site</label>
      <input id="search-name" type="text" placeholder="Find a site" list="search-names" autocomplete="off" spellcheck="false">
      <datalist id="search-names"></datalist>
      <button type="submit">Go</button>
    </form>
    <div class="choice"><label for="season">Season shown</label><select id="season"></select></div>
    <div class="choice wide"><label for="radio">Radio shown</label><select id="radio"></select></div>
    <button type="button" id="open-help">How to read</button>
    <button type="button" id="open-trial" aria-pressed="false">Check two places</button>
    <button type="button" id="open-add" aria-pressed="false">Add a place</button>
    <button type="button" id="locate">Where am I</button>
    <button type="button" id="print">Print</button>
    <button type="button" id="open-tools" class="phone" aria-expanded="false" aria-controls="tools">More</button>
  </div>
  <p id="live" role="status" aria-live="polite"></p>
</header>
<main id="main">
  <section id="sheet" aria-label="Map">
{MAP_PLACE}
    <details id="layers" class="no-print"><summary>Layers</summary><div id="layers-body"></div></details>
  </section>
  <details id="legend">
    <summary>Key</summary>
    <div id="legend-body" role="region" aria-label="Signs of the map" tabindex="0"></div>
  </details>
  <div id="panel">
    <button type="button" id="panel-grip" class="phone no-print" aria-controls="ledger" aria-expanded="true">Show more</button>
    <section id="section" aria-label="Section through the land" hidden></section>
    <section id="ledger" aria-label="Plan in words and figures" tabindex="-1"></section>
  </div>
</main>
<dialog id="help" aria-labelledby="help-title"></dialog>
<noscript>
  <p id="no-script">This map is drawn by a script inside this file. Allow scripts for it; it contacts no network.</p>
</noscript>
"""
