/* What the margin of the sheet says: the whole plan, one site, one link, and how to read it all. */
"use strict";
const meshViews = (() => {
  const {
    h,
    known,
    plain,
    signed,
    metres,
    height,
    decibel,
    level,
    amount,
    chance,
    compass,
    seasonWords,
    monthWords,
    seasonTitle,
    plainName,
    count,
    verdictBadge,
    mark,
    table,
    list,
    facts,
    more,
    later,
    longTable,
  } = meshParts;
  const { seen, missedLink } = meshSeason;
  const SHORTEST_SECTION_M = 0.5,
    FEW_UNSERVED = 3;
  const legalWord = (line) =>
    line.lawful
      ? line.verdict === "conditional"
        ? "On a condition: "
        : "Allowed: "
      : line.verdict === "not allowed for data"
        ? "Not allowed for data: "
        : "Not allowed: ";
  const asSentence = (words) => (words ? words[0].toUpperCase() + words.slice(1) + (/[.!?]$/.test(words) ? "" : ".") : "");
  const ROLE_WORDS = { sensor: "Sensor", relay: "Relay", gateway: "Gateway" };
  const PURPOSE_WORDS = { trend: "slow readings", alarm: "alarms", control: "control" };

  const linkButton = (app, link) =>
    h("button", { type: "button", class: "plain", onclick: () => app.showLink(link.key) }, `${link.a} → ${link.b}`);
  const siteButton = (app, name) => h("button", { type: "button", class: "plain", onclick: () => app.showSite(name) }, name);
  const nearestButton = (app, one) => {
    const link = missedLink(app, one);
    return link
      ? h("button", { type: "button", class: "plain", "data-missed": link.key, onclick: () => app.showLink(link.key) }, one.nearest)
      : one.nearest;
  };
  const remedyWords = (remedy) =>
    `${remedy.change}${remedy.gain_db > 0 ? `: about ${decibel(remedy.gain_db)} more` : ""}` +
    `${known(remedy.chance_after) ? `, then works in ${chance(remedy.chance_after)} of cases` : ""}${remedy.suffices ? " – enough" : ` – helps, ${remedy.lacks || "not enough alone"}`}.`;

  /* The safety texts that go with some advice, each once. */
  function careOf(remedies) {
    const texts = [...new Set(remedies.flatMap((remedy) => remedy.cautions || []))];
    return texts.length ? [h("p", {}, "Before you raise anything:"), list(texts)] : [];
  }

  const weakestFirst = (app, links) =>
    links.slice().sort((p, q) => {
      const a = seen(app, p),
        b = seen(app, q);
      return (a.chance ?? -1) - (b.chance ?? -1) || a.margin - b.margin || (p.key < q.key ? -1 : 1);
    });

  /* What is most in doubt: the nearest miss of a sensor without a route, else the plan's weakest link. */
  const doubtful = (app, fits = () => true) =>
    [
      ...app.data.unserved.map((one) => missedLink(app, one)).filter(Boolean),
      ...weakestFirst(app, app.data.links.filter((link) => link.chosen)),
    ].find((link) => (!app.radio || link.radio === app.radio) && fits(link)) || null;

  function linkTable(app, links, caption) {
    return longTable(
      caption,
      [["Link and verdict"], ["Works in", "num"], ["Margin dB", "num"]],
      weakestFirst(app, links),
      (link) => {
        const now = seen(app, link);
        return h(
          "tr",
          { "data-link": link.key },
          h("th", { scope: "row" }, linkButton(app, link), h("div", {}, verdictBadge(app.verdicts.get(now.verdict)))),
          h("td", { class: "num" }, chance(now.chance)),
          h("td", { class: "num" }, level(now.margin)),
        );
      },
      "links",
    );
  }

  /* The red box: sensors without a route in the season shown; below it those that only another season leaves out. */
  function unservedBox(app, only, step = null) {
    const { lacking, heard } = meshSeason.missing(app),
      mine = (list) => (only ? list.filter((one) => one.sensor === only) : list),
      unserved = mine(lacking),
      others = mine(heard);
    const when = app.season ? ` in the season “${seasonWords(app.season)}”` : "";
    const quiet = others.length
      ? h(
          "div",
          { class: "quiet-box", id: "heard-now" },
          others.map((one) =>
            h("p", {}, siteButton(app, one.sensor), ` is heard by ${one.nearest}${when}, but not all year: the plan leaves it out.`),
          ),
        )
      : null;
    if (!unserved.length)
      return quiet || h("div", { class: "quiet-box" }, h("p", {}, "Every sensor has a route to a gateway."));
    return [
      h(
      "div",
      { class: "alarm-box", id: "unserved" },
      h("h2", {}, `${count(unserved.length, "sensor has", "sensors have")} no route${when}`),
      step,
      unserved.map((one) =>
        h(
          "div",
          {},
          h(
            "p",
            {},
            siteButton(app, one.sensor),
            " ",
            h("strong", {}, known(one.missing_db) && one.missing_db > 0 ? `is ${decibel(one.missing_db)} short` : ""),
            one.nearest ? [" towards ", nearestButton(app, one)] : "",
            ". ",
            asSentence(one.reason),
          ),
          one.remedies.length
            ? unserved.length <= FEW_UNSERVED
              ? [h("p", {}, "What would mend it:"), list(one.remedies.map(remedyWords)), ...careOf(one.remedies)]
              : more("What would mend it", list(one.remedies.map(remedyWords)), ...careOf(one.remedies))
            : null,
        ),
      ),
    ),
      quiet,
    ];
  }

  /* Sensors that are served, but lack the second route that was asked for: what it hangs on, and what would mend it. */
  function singleBox(app, only) {
    const single = app.data.single_routes.filter((one) => !only || one.sensor === only);
    if (!single.length) return null;
    return h(
      "div",
      { class: "alarm-box", id: "single-routes" },
      h("h2", {}, `${count(single.length, "sensor has", "sensors have")} one route only, where two were asked for`),
      single.map((one) =>
        h(
          "div",
          {},
          h("p", {}, siteButton(app, one.sensor), ". ", asSentence(one.reason)),
          known(one.missing_db) && one.missing_db > 0 && one.nearest
            ? h("p", {}, `${decibel(one.missing_db)} short towards `, nearestButton(app, one), ".")
            : null,
          one.remedies.length ? more("What would mend it", list(one.remedies.map(remedyWords)), ...careOf(one.remedies)) : null,
        ),
      ),
    );
  }

  /* A sentence about a site in which its name, where the sentence begins with it, can be clicked. */
  function spokenOf(app, name, sentence) {
    return sentence.startsWith(`${name} `) ? [siteButton(app, name), sentence.slice(name.length)] : [siteButton(app, name), ": ", sentence];
  }

  /* Whether a device that acts on command hears in time; what else would serve, or would not. */
  function commandBox(app, command, { named }) {
    return h(
      "div",
      { class: command.fit ? "quiet-box" : "alarm-box", "data-command": command.device },
      h("p", {}, ...(named ? spokenOf(app, command.device, command.sentence) : [command.sentence])),
      command.options.length ? [h("p", {}, "Other ways to hear:"), list(command.options.map((option) => option.sentence))] : null,
      command.must.length ? list(command.must) : null,
    );
  }

  /* What a reading takes on each hop: the parts of one frame, its confirmation, how often it is sent, what arrives. */
  function airBudget(app, route) {
    const parts = [
      ["Frame and preamble", "preamble_ms", 1],
      ["Header", "header_ms", 1],
      ["Payload", "payload_ms", 1],
      ["Check", "check_ms", 1],
      ["Answer", "acknowledgement_ms", 1],
      ["Tries", "fast_mean_tries", 2],
    ];
    return table(
      `One reading on the air, ms${known(route.delivered_chance) ? `; in the busiest hour ${chance(route.delivered_chance)} of readings arrive` : ""}.`,
      [["From"], ...route.hops.map((hop) => [hop.sender, "num wrap"])],
      parts.map(([words, key, digits]) =>
        h(
          "tr",
          {},
          h("th", { scope: "row" }, words),
          route.hops.map((hop) => h("td", { class: "num" }, plain(hop[key], digits))),
        ),
      ),
      "airtime",
    );
  }

  /* The one thing to do next, in words. */
  function nextStep(app) {
    const { lacking } = meshSeason.missing(app),
      chosen = app.ofRadio(app.data.links.filter((link) => link.chosen)),
      weakest = weakestFirst(app, chosen)[0];
    const remedy = lacking.map((one) => [one, one.remedies.find((way) => way.suffices) || one.remedies[0]]).find(([, way]) => way);
    let words;
    if (remedy) {
      const [one, way] = remedy;
      words = [siteButton(app, one.sensor), ` has no route. ${asSentence(way.change)}${way.suffices ? " That would serve it." : ""} Then plan again.`];
    } else if (lacking.length && lacking[0].missing_db === 0)
      words = [siteButton(app, lacking[0].sensor), " has no route though it is heard: change what the reason names, then plan again."];
    else if (lacking.length) words = ["Offer a place for a relay or gateway nearer to ", siteButton(app, lacking[0].sensor), ", then plan again."];
    else if (weakest) {
      const sure = seen(app, weakest).verdict === "ample";
      words = ["Test ", linkButton(app, weakest), sure ? " first: the others are surer still." : " first: it decides the plan."];
    } else return null;
    return h("p", { id: "next-step" }, h("strong", {}, "Next: "), words);
  }

  function overview(app) {
    const { data } = app,
      chosen = app.ofRadio(data.links.filter((link) => link.chosen)),
      others = app.ofRadio(data.links.filter((link) => !link.chosen));
    const inPlan = data.devices
      .filter((device) => (device.in_plan || device.role === "sensor") && app.hasRadio(device))
      .map((device) => meshSeason.inSeason(app, device));
    const order = { gateway: 0, relay: 1, sensor: 2 };
    inPlan.sort(
      (a, b) =>
        (a.served || a.role !== "sensor") - (b.served || b.role !== "sensor") ||
        order[a.role] - order[b.role] ||
        (a.name < b.name ? -1 : 1),
    );
    const season = app.season ? `in the season “${seasonWords(app.season)}”` : "each in its worst season";
    /* The box of sensors without a route may fill the first view: what to do next stands at its head then. */
    const step = nextStep(app),
      boxes = [unservedBox(app, "", step), singleBox(app)].flat().filter(Boolean),
      own = step && !step.parentNode ? step : null,
      isLoud = boxes.some((box) => box.classList.contains("alarm-box"));
    return [
      ...(isLoud ? [...boxes, own] : [own, ...boxes]),
      meshChanges.summary(),
      meshKept.summary(),
      data.wires_note ? h("div", { class: "alarm-box", id: "wires-note" }, h("p", {}, data.wires_note)) : null,
      data.not_mapped ? h("p", { id: "not-mapped" }, h("strong", {}, data.not_mapped)) : null,
      data.channels.filter((channel) => !channel.stable).map((channel) => h("div", { class: "alarm-box" }, h("p", {}, channel.sentence))),
      data.better_radio ? h("p", { id: "better-radio" }, data.better_radio) : null,
      data.commands.length
        ? [
            h("h2", { id: "commands-title" }, "What acts on command"),
            data.commands.map((command) => commandBox(app, command, { named: true })),
          ]
        : null,
      h("h2", { id: "links-title" }, "Links of the plan, weakest first"),
      linkTable(app, chosen, `Shown ${season}${app.radio ? `, of ${app.radioTitle(app.radio)} only` : ""}. Choose a link for its figures and its section through the land.`),
      h("h2", {}, "Sites"),
      longTable(
        "Choose a site for its route, its place and what depends on it.",
        [["Site"], ["Role"], ["Antenna", "num"]],
        inPlan,
        (device) =>
          h(
            "tr",
            {},
            h(
              "th",
              { scope: "row" },
              h("span", { class: "verdict" }, mark(device, app.verdicts, { size: 20 }), siteButton(app, device.name)),
            ),
            h("td", {}, ROLE_WORDS[device.role], device.role === "sensor" && !device.served ? h("strong", {}, ", no route") : ""),
            h("td", { class: "num" }, height(device.antenna_agl_m), device.height_assumed ? " ?" : ""),
          ),
        "sites",
      ),
      inPlan.some((device) => device.height_assumed)
        ? h("p", { class: "small soft" }, "“?” marks an antenna height that nobody gave: it was assumed.")
        : null,
      h("h2", {}, "The plan"),
      h("p", {}, data.proof.sentence),
      facts([
        ["Cost", amount(data.proof.cost, data.currency)],
        ...data.radios.map((radio) => ["Radio", `${radio.title}, ${plain(radio.frequency_mhz, 1)} MHz`]),
        ["Rules of", data.country],
        ["Land", data.grid.sentence],
      ]),
      data.gateway_options.length
        ? more(
            "Choices of gateways compared",
            table(
              "",
              [["Gateways"], ["Sensors", "num"], ["Cost", "num"]],
              data.gateway_options.map((option) =>
                h(
                  "tr",
                  { class: option.chosen ? "now" : null },
                  h(
                    "td",
                    {},
                    option.gateways.join(", "),
                    option.chosen ? h("strong", {}, " (this plan)") : "",
                    h("div", { class: "small soft" }, option.sentence),
                  ),
                  h("td", { class: "num" }, option.sensors_served),
                  h("td", { class: "num" }, amount(option.cost, data.currency)),
                ),
              ),
            ),
          )
        : null,
      others.length
        ? later(`Other links looked at (${others.length})`, () =>
            linkTable(app, others, `Not used by the plan. Shown ${season}; the layers can draw them.`),
          )
        : null,
      data.channels.length ? more("On the air", list(data.channels.map((channel) => channel.sentence))) : null,
      data.legal.length
        ? more(
            "Radio rules",
            data.legal.map((line) =>
              h(
                "p",
                {},
                h("strong", {}, legalWord(line)),
                `${line.subject}. ${line.detail} `,
                h("span", { class: "soft" }, `${line.rule} (as of ${line.as_of}).`),
                line.remedy ? ` ${line.remedy}` : "",
              ),
            ),
          )
        : null,
      data.parts.length
        ? more(
            "Parts",
            table(
              "",
              [["Part"], ["Pieces", "num"], ["Spare", "num"], ["Each", "num"]],
              data.parts.map((part) =>
                h(
                  "tr",
                  {},
                  h("td", {}, part.part),
                  h("td", { class: "num" }, `${plain(part.quantity, part.quantity % 1 ? 1 : 0)} ${part.unit}`),
                  h("td", { class: "num" }, plain(part.spares, part.spares % 1 ? 1 : 0)),
                  h("td", { class: "num" }, amount(part.unit_cost, data.currency)),
                ),
              ),
            ),
            data.not_bought ? h("p", { class: "soft" }, data.not_bought) : null,
          )
        : null,
      data.assumptions.length ? more("What was assumed", list(data.assumptions)) : null,
      data.unknowns.length ? more("What we do not know", list(data.unknowns)) : null,
      data.cautions.length ? more("Before you climb, dig or transmit", list(data.cautions)) : null,
      data.credits.length ? h("p", { class: "small soft" }, `The land is drawn from: ${data.credits.join("; ")}.`) : null,
      h(
        "p",
        { class: "small soft" },
        `Made by meshplan ${data.version}. Map drawn with Leaflet and folium. Nothing here is fetched from a network.`,
      ),
    ];
  }

  function backRow(app, title, sign) {
    return [
      h(
        "div",
        { class: "head-row" },
        sign || null,
        h("h2", { tabindex: "-1", class: "view-title" }, title),
        h("button", { type: "button", class: "no-print", onclick: () => app.showOverview() }, "Back to the plan"),
      ),
      h("hr", { class: "head-rule" }),
    ];
  }

  /* One hop in a line that a person can add up. */
  function hop(app, key, from) {
    const link = app.links.get(key);
    if (!link) return null;
    const now = seen(app, link),
      forward = link.a === from,
      to = forward ? link.b : link.a;
    const received = forward ? now.result.received_at_b_dbm : now.result.received_at_a_dbm,
      need = forward ? link.sensitivity_b_dbm : link.sensitivity_a_dbm;
    const gains = app.sum(forward ? link.gains_a_to_b : link.gains_b_to_a);
    return h(
      "li",
      {},
      h("button", { type: "button", class: "plain", onclick: () => app.showLink(key) }, `${from} → ${to}`),
      h("div", {}, verdictBadge(app.verdicts.get(now.verdict)), `, ${metres(link.distance_m)}, works in ${chance(now.chance)} of cases`),
      h(
        "div",
        { class: "small soft" },
        `Sent with ${plain(gains, 1)} dBm, lost ${decibel(now.result.path_loss_db, 1)}, arrives with ${plain(received, 1)} dBm; ${plain(need, 1)} dBm are needed, so ${decibel(received - need, 1)} are left.`,
      ),
    );
  }
  /* Figures that the plan marks for users: what it calls them, and their value. */
  function figures(app, kind, record) {
    return app.data.figures[kind]
      .map(({ name, words }) => [words, record[name]])
      .filter(([, value]) => value !== null && value !== undefined && value !== "")
      .map(([words, value]) => [words, known(value) ? plain(value, 3) : value === true ? "yes" : value === false ? "no" : String(value)]);
  }

  function hops(app, devices, links) {
    return h(
      "ol",
      { class: "hops" },
      links.map((key, i) => hop(app, key, devices[i])),
    );
  }

  function siteView(app, name) {
    const { data } = app,
      device = app.devices.get(name),
      route = data.routes.find((one) => one.sensor === name);
    const lost = data.loses_service[name] || [],
      missing = data.unserved.find((one) => one.sensor === name),
      command = data.commands.find((one) => one.device === name);
    const own = data.links.filter((link) => link.chosen && (link.a === name || link.b === name)),
      spare = data.links.filter((link) => !link.chosen && (link.a === name || link.b === name));
    const place = `${plain(device.lat_deg, 6)}, ${plain(device.lon_deg, 6)}`;
    const heading =
      device.role === "sensor"
        ? `${ROLE_WORDS.sensor} for ${PURPOSE_WORDS[device.purpose] || device.purpose}`
        : `${ROLE_WORDS[device.role]}${device.in_plan ? "" : " that the plan does not need"}`;
    return [
      backRow(app, name, mark(meshSeason.inSeason(app, device), app.verdicts, { size: 30 })),
      h("p", { class: "verdict-line" }, heading, "."),
      device.reason ? h("p", {}, device.reason) : null,
      device.note ? h("p", { class: "soft" }, device.note) : null,
      missing ? unservedBox(app, name) : null,
      singleBox(app, name),
      route
        ? [
            h("h3", {}, `Route to ${route.devices[route.devices.length - 1]}`),
            h(
              "p",
              {},
              `The whole route works in ${chance(route.chance)} of cases, in its worst season${known(route.required_chance) && route.required_chance > 0 ? ` (asked for: at least ${chance(route.required_chance)})` : ""}${known(route.latency_s) ? `; a reading takes up to ${plain(route.latency_s)} s` : ""}.`,
            ),
            hops(app, route.devices, route.links),
            route.second_links.length ? [h("h3", {}, "Second route"), hops(app, route.second_devices, route.second_links)] : null,
            route.second_note ? [h("h3", {}, "Second route"), h("p", {}, `${route.second_note}.`)] : null,
            route.hops.length ? more("Budget of airtime", airBudget(app, route)) : null,
          ]
        : null,
      command ? [h("h3", {}, "Acting on command"), commandBox(app, command, { named: false })] : null,
      device.role === "sensor"
        ? null
        : [
            h("h3", {}, "If this one fails"),
            lost.length
              ? h(
                  "p",
                  {},
                  h("strong", {}, `${count(lost.length, "sensor loses", "sensors lose")} service: `),
                  lost.map((sensor, i) => [i ? ", " : "", siteButton(app, sensor)]),
                  ". They are crossed out on the map.",
                )
              : h("p", {}, device.in_plan ? "No sensor loses service." : "Nothing depends on it."),
          ],
      own.length ? [h("h3", {}, "Its links in the plan"), linkTable(app, own, "")] : null,
      spare.length ? later(`Other links from here (${spare.length})`, () => linkTable(app, spare, "")) : null,
      h("h3", {}, "Where and how"),
      facts([
        ...(route ? figures(app, "route", route) : []),
        ...figures(app, "device", device),
        ["Position", h("a", { href: `geo:${device.lat_deg},${device.lon_deg}` }, place)],
        ["Ground", `${plain(device.ground_amsl_m, 1)} m above sea`],
        ["Antenna", `${plainName(device.antenna)}, ${height(device.antenna_agl_m)} above ground${device.height_assumed ? " (assumed)" : ""}`],
        [
          "Points to",
          known(device.azimuth_deg)
            ? `${compass(device.azimuth_deg)}${device.tilt_deg ? `, tilted ${device.tilt_deg > 0 ? "down" : "up"} ${plain(Math.abs(device.tilt_deg), 1)}°` : ""}`
            : device.directional
              ? "each partner, as figured; it can point at one"
              : null,
        ],
        ["Cable", device.cable && device.cable_m > 0 ? `${plain(device.cable_m, 1)} m ${plainName(device.cable)}` : null],
        ["Indoors", plainName(device.indoors)],
        ["Power", device.power],
        ["Radio", device.radio.split("+").map(app.radioTitle).join(" and ")],
        [
          "Sends",
          device.role === "sensor"
            ? `${plain(device.payload_bytes)} bytes every ${device.interval_s >= 120 ? `${plain(device.interval_s / 60)} min` : `${plain(device.interval_s)} s`}`
            : null,
        ],
        ["Cost", device.in_plan && device.cost > 0 ? amount(device.cost, data.currency) : null],
        [
          "On air",
          device.duty
            ? `${plain(device.duty.fast_duty_share * 100, 2)} % of the busiest hour in ${plain(device.duty.fast_mean_tries, 2)} tries a reading, limit ${plain(device.duty.duty_limit * 100, 1)} %${device.duty.lawful ? "" : ": too much"}`
            : null,
        ],
        [
          "Lasts",
          device.energy?.supply === "battery" && device.energy.life_years === 0 && !device.energy.cells_in_series
            ? device.energy.supply_words || device.energy.best_change
            : device.energy && known(device.energy.life_years)
            ? `${plain(device.energy.life_years, 1)} years on ${device.energy.supply_words || device.energy.battery_words || plainName(device.energy.battery)}; ${device.energy.dominant} takes most`
            : device.energy
              ? device.energy.best_change
              : null,
        ],
      ]),
      device.cautions.length ? [h("h3", {}, "Take care"), list(device.cautions)] : null,
      app.canTry()
        ? h(
            "div",
            { class: "buttons" },
            h("button", { type: "button", id: "try-site", onclick: () => app.trySite(name) }, "Try another place or height"),
          )
        : null,
    ];
  }

  function budgetTable(app, link, now) {
    const item = ([row, value]) => ({
      name: app.data.items[row][0],
      loss: app.data.items[row][1],
      source: app.data.items[row][2],
      value,
    });
    const there = link.gains_a_to_b.map(item),
      back = link.gains_b_to_a.map(item),
      losses = now.result.losses.map(item);
    const names = [
      ...new Set(
        Array.from({ length: Math.max(there.length, back.length) }, (_, i) => [there[i], back[i]])
          .flat()
          .filter(Boolean)
          .map((one) => one.name),
      ),
    ];
    const sum = (list, name) => {
      const found = list.filter((one) => one.name === name);
      return found.length ? found.reduce((total, one) => total + (one.loss ? -one.value : one.value), 0) : null;
    };
    const source = (name) => ([...there, ...back].find((one) => one.name === name) || {}).source;
    const row = (name, a, b, where, css) =>
      h(
        "tr",
        { class: css || null },
        h("th", { scope: "row" }, name, where ? h("div", { class: "small soft" }, where) : null),
        h("td", { class: "num" }, a),
        h("td", { class: "num" }, b),
      );
    return table(
      `Season “${seasonWords(now.season)}”. Add up each column: gains count +, losses −.`,
      [["Step"], [`${link.a} → ${link.b}`, "num wrap"], [`${link.b} → ${link.a}`, "num wrap"]],
      [
        names.map((name) => row(name, signed(sum(there, name)), signed(sum(back, name)), source(name))),
        losses.map((one) => row(one.name, signed(-one.value), signed(-one.value), one.source)),
        row("Arrives, dBm", plain(now.result.received_at_b_dbm, 1), plain(now.result.received_at_a_dbm, 1), "", "sum"),
        row("Needed by the receiver, dBm", plain(link.sensitivity_b_dbm, 1), plain(link.sensitivity_a_dbm, 1)),
        row("Left over (margin), dB", plain(now.result.margin_at_b_db, 1), plain(now.result.margin_at_a_db, 1), "", "sum"),
      ],
      "budget",
    );
  }

  function linkView(app, key) {
    const link = app.links.get(key),
      now = seen(app, link),
      style = app.verdicts.get(now.verdict),
      spread = now.result.spread;
    const causes = [
      ["model", spread.model_db],
      ["heights", spread.elevation_db],
      ["plants", spread.vegetation_db],
      ["soil", spread.soil_db],
      ["antenna", spread.antenna_db],
      ["clutter", spread.clutter_db],
    ].filter(([, value]) => value > 0.05);
    return [
      backRow(app, `${link.a} → ${link.b}`),
      h(
        "p",
        { class: "verdict-line" },
        verdictBadge(style),
        `: ${style.words}. Works in ${chance(now.chance)} of cases ${app.season ? "in this season" : `in its worst season, “${seasonWords(link.worst_season)}”`}.`,
      ),
      link.sentence ? h("p", {}, link.sentence) : null,
      h("p", {}, link.clearance.sentence),
      link.distance_m < SHORTEST_SECTION_M
        ? h("p", { class: "soft" }, "Both stand at one place, so there is no section through the land.")
        : null,
      link.first_failing_month ? h("p", {}, h("strong", {}, `First month below what is asked: ${seasonWords(link.first_failing_month)}.`)) : null,
      link.chosen ? null : h("p", { class: "soft" }, "The plan does not use this link."),
      h("h3", {}, "Through the year"),
      table(
        "",
        [["Season"], ["Verdict"], ["Works in", "num"], ["Margin dB", "num"]],
        link.seasons.map((one) =>
          h(
            "tr",
            { class: one.season === now.season ? "now" : null },
            h("th", { scope: "row" }, seasonTitle(one.season)),
            h("td", {}, verdictBadge(app.verdicts.get(one.verdict))),
            h("td", { class: "num" }, chance(one.chance)),
            h("td", { class: "num" }, level(Math.min(one.margin_at_a_db ?? Infinity, one.margin_at_b_db ?? Infinity))),
          ),
        ),
      ),
      h("h3", {}, "The budget, step by step"),
      budgetTable(app, link, now),
      h(
        "p",
        { class: "small" },
        `The plan wants ${decibel(link.required_margin_db)} of margin: ${decibel(link.fade_margin_db)} for fading, the rest for what is uncertain. The figures may be off by ${decibel(spread.total_db)} either way (one standard deviation` +
          `${causes.length ? `: ${causes.map(([name, value]) => `${name} ${plain(value, 1)}`).join(", ")}` : ""}).`,
      ),
      link.causes.length ? [h("h3", {}, "What costs most"), list(link.causes)] : null,
      link.remedies.length ? [h("h3", {}, "What would help"), list(link.remedies.map(remedyWords)), ...careOf(link.remedies)] : null,
      facts([
        ["Distance", metres(link.distance_m)],
        ["Direction", `${compass(link.bearing_deg)} from ${link.a}`],
        ["Antennas", `${height(link.antenna_a_agl_m)} and ${height(link.antenna_b_agl_m)} above ground`],
        ["Frequency", `${plain(link.frequency_mhz, 1)} MHz`],
        ...figures(app, "link", link),
      ]),
      link.notes.length ? more("Notes", list(link.notes)) : null,
      h("p", {}, "Ends: ", siteButton(app, link.a), ", ", siteButton(app, link.b)),
    ];
  }

  /* The section of an embedded link, for the strip under the map. */
  function linkCut(app, link) {
    const profile = app.profiles && app.profiles.get(link.key);
    if (!profile || profile.distanceM < SHORTEST_SECTION_M) return null;
    const tight = link.clearance;
    return {
      title: `Section from ${link.a} to ${link.b}`,
      sentence: `Section from ${link.a} to ${link.b}, ${metres(link.distance_m)}. ${tight.sentence}`,
      words: tight.sentence,
      profile,
      names: [link.a, link.b],
      startAgl: link.antenna_a_agl_m,
      endAgl: link.antenna_b_agl_m,
      frequencyMhz: link.frequency_mhz,
      tightAt: tight.at_m,
      tightWords: tight.label,
      ends: [app.devices.get(link.a), app.devices.get(link.b)],
    };
  }
  function help(app, close) {
    return [
      h("h2", { id: "help-title", tabindex: "-1" }, "How to read this sheet"),
      h(
        "p",
        {},
        "The map shows your land, the places where devices stand, and the radio links between them. A line is a link; its colour, its dashes and its word say the same thing: how likely it is to work.",
      ),
      h(
        "ol",
        {},
        h(
          "li",
          {},
          h("strong", {}, "Look at the red box first. "),
          "A sensor there has no route: its readings will not arrive. The box says how much is missing and what would mend it.",
        ),
        h(
          "li",
          {},
          h("strong", {}, "Then the table of links. "),
          "The weakest stands on top. “Works in 93 %” means: of a hundred links that look like this one, about 93 turn out to work.",
        ),
        h(
          "li",
          {},
          h("strong", {}, "Choose a link. "),
          "The strip under the map is a cut through the land. The blue lens is the room that the radio wave needs (the first Fresnel zone). If ground or trees fill it, signal is lost. The red mark shows the tightest place.",
        ),
        h(
          "li",
          {},
          h("strong", {}, "Read the budget like a bill. "),
          "dB are steps of strength: 3 dB are half or double, 10 dB a tenth or tenfold. What is sent, less what is lost, is what arrives; it must be more than the receiver needs. The rest is margin.",
        ),
        h("li", {}, h("strong", {}, "Choose a device. "), "You see its route, and which sensors lose service if it fails."),
        h(
          "li",
          {},
          h("strong", {}, "Change the season. "),
          "Leaves and crops cost signal. A link that works in winter may fail in June.",
        ),
        app.canTry()
          ? h(
              "li",
              {},
              h("strong", {}, "Try things out. "),
              "Set two places on the map, or move a site and raise its mast, and see at once what changes. It is a first look; the plan itself is only changed when you put the text it gives you into your property folder.",
            )
          : null,
      ),
      h("h3", {}, "The words"),
      h(
        "dl",
        { class: "facts" },
        app.data.verdicts.map((style) => [
          h("dt", {}, verdictBadge(style)),
          h(
            "dd",
            {},
            `${style.words}${known(style.limit) && style.limit > 0 && style.name !== "not sure" ? ` (at least ${chance(style.limit)})` : ""}`,
          ),
        ]),
      ),
      app.data.seasons.length
        ? [
            h("h3", {}, "The seasons"),
            facts(
              app.data.seasons.map((season) => [
                seasonTitle(season.name),
                `${season.in_leaf ? "leaves on the trees" : "no leaves"}${season.wet ? ", all of it wet" : ""}${season.snow ? ", snow on the antennas" : ""}; crops as in ${monthWords(season.month)}`,
              ]),
            ),
          ]
        : null,
      h("p", {}, "This is a forecast, not a promise. Test the weakest links on the spot before you buy everything."),
      h("button", { type: "button", onclick: close }, "Close"),
    ];
  }

  return { weakestFirst, doubtful, overview, siteView, linkView, linkCut, help, seen, hop, linkTable, siteButton, backRow, ROLE_WORDS };
})();
