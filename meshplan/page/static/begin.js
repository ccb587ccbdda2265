/* A folder with nothing in it: what the sheet needs to begin, and the first step in words. */
"use strict";
const makeBegin = (desk, card, files) => {
  const { h } = meshParts;
  const byId = (id) => document.getElementById(id);
  const FIELDS = [
    { key: "name", title: "Name", meaning: "What the property is called on every sheet.", kind: "text", usual: "" },
    {
      key: "country",
      title: "Country",
      meaning: "Whose rules for radio hold; left empty, the most careful of all are taken.",
      kind: "text",
      usual: "not said",
    },
    {
      key: "place",
      title: "Place",
      meaning: "Latitude, longitude in degrees, as 52.5163, 13.3777. Left empty, the first file says where it is.",
      kind: "text",
      usual: "from the first file",
    },
    { key: "currency", title: "Currency", meaning: "In which prices are told.", kind: "text", usual: "EUR" },
  ];
  const told = {};

  const understood = () => {
    const found = /^\s*([-+]?\d+(?:\.\d+)?)\s*[,; ]\s*([-+]?\d+(?:\.\d+)?)\s*$/.exec(told.place || "");
    if (!found) return null;
    const [lat_deg, lon_deg] = [Number(found[1]), Number(found[2])];
    return Math.abs(lat_deg) <= 90 && Math.abs(lon_deg) <= 180 ? { lat_deg, lon_deg } : null;
  };

  function show(options = { focus: false }) {
    card.showView(
      [
        h("h2", {}, "Begin the sheet"),
        h(
          "p",
          {},
          `The folder ${desk.folder()} holds no plan yet. Name the property and say where it lies, ` +
            "or add a file that knows: heights of the land, sites from a phone, a picture.",
        ),
        FIELDS.map((column) =>
          card.blank(column, told[column.key] || "", {
            prefix: "begin",
            changed: (value) => {
              told[column.key] = value;
              tellPlace();
            },
          }),
        ),
        h("p", { id: "begin-place-words", class: "soft", "aria-live": "polite" }),
        h(
          "p",
          { class: "acts" },
          h("button", { type: "button", class: "dark", id: "begin-sheet", onclick: begin }, "Begin the sheet"),
          h("button", { type: "button", onclick: () => byId("file-input").click() }, "Add a file"),
        ),
        files.list(),
        h("p", { class: "soft small" }, "Nothing is written before you begin; then property.toml and an empty sites.csv."),
      ],
      "A new folder",
      "begin",
      options,
    );
    byId("close-card").hidden = true;
    tellPlace();
  }

  const degrees = (value, above, below) => `${Math.abs(value)}° ${value < 0 ? below : above}`;
  function tellPlace() {
    const at = understood();
    byId("begin-place-words").textContent = at
      ? `Understood: ${degrees(at.lat_deg, "north", "south")}, ${degrees(at.lon_deg, "east", "west")}.`
      : told.place
        ? "This is no latitude and longitude; write them as 52.5163, 13.3777."
        : "";
  }

  async function begin() {
    for (const { key } of FIELDS) told[key] = byId(`begin-${key}`).value;
    tellPlace();
    if (told.place && !understood()) return byId("begin-place").focus();
    try {
      const answer = await deskWire.tell("/do/begin", {
        name: told.name,
        country: told.country,
        currency: told.currency,
        ...(understood() ? { place: understood() } : {}),
        held: files.held(),
      });
      files.begun(answer);
      card.none();
      await desk.read();
      desk.begun();
    } catch (error) {
      desk.complain(error.faults && error.faults.length ? error.faults : [{ problem: error.message, fix: "", where: "" }]);
    }
    return undefined;
  }

  /* What comes next, in one sentence, until there is a plan. */
  function next() {
    const sensors = desk.things().filter((thing) => (thing.role || "").includes("sensor")).length,
      gateways = desk.things().filter((thing) => (thing.role || "").includes("gateway")).length;
    if (!desk.hasGround())
      return "There is no ground yet: add a file with heights of the land (a GeoTIFF, a grid), or let meshplan land fetch it.";
    if (!sensors) return "Set the first sensor: take its sign from the key, then click where it stands.";
    if (!gateways) return "Now a gateway place: where there is power and a way out to the internet.";
    return "";
  }

  return { show, next };
};
