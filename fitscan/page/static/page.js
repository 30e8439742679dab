// The page's screens: shoots, one shoot, results, one result, phones. Numbers and sentences come
// from the computer; nothing is worked out here. Text goes in as text, never as markup.
"use strict";

const main = document.getElementById("main");
const title = document.getElementById("title");
const back = document.getElementById("back");
const trouble = document.getElementById("trouble");
const SHAPES = { good: "●", weak: "▲", bad: "■", waiting: "○", green: "●", amber: "▲", dark: "○" };
let place = { name: "shoots" };
let clock = 0;

function el(kind, given, ...inside) {
  const node = document.createElement(kind);
  for (const [key, value] of Object.entries(given || {})) {
    if (key.startsWith("on")) node.addEventListener(key.slice(2), value);
    else if (value === true) node.setAttribute(key, "");
    else if (value !== false && value != null) node.setAttribute(key, value);
  }
  for (const part of inside.flat()) if (part != null) node.append(part);
  return node;
}
const fill = (node, ...inside) => node.replaceChildren(...inside.flat(3).filter((part) => part != null));
const get = (url) => Sending.call("GET", url);
const post = (url, content) =>
  Sending.call("POST", url, JSON.stringify(content), { "Content-Type": "application/json" });
const at = (...parts) => "/" + parts.map(encodeURIComponent).join("/");

function say(sentence) {
  trouble.textContent = sentence || "";
  trouble.hidden = !sentence;
}
function go(next) {
  place = next;
  say("");
  clearTimeout(clock);
  fill(main, el("p", {}, "…"));
  show();
  window.scrollTo(0, 0);
}
async function show() {
  clearTimeout(clock);
  const asked = place;
  const fresh = () => asked === place;
  try {
    await SCREENS[asked.name](asked, fresh);
    if (fresh() && trouble.dataset.lost) { delete trouble.dataset.lost; say(""); }
  } catch (error) {
    if (!fresh()) return;
    if (!error.status) trouble.dataset.lost = "1";
    say(error.status ? error.message : "No connection to the computer. It is tried again.");
    again(3000);
  }
}
function again(ms) {
  clearTimeout(clock);
  clock = setTimeout(() => { if (!document.querySelector("select:focus, input:focus")) show(); else again(ms); }, ms);
}
function head(text, home) {
  title.textContent = text;
  back.hidden = !home;
  back.onclick = () => go({ name: home });
  for (const b of document.querySelectorAll("nav button")) {
    const here = b.dataset.go === place.name || b.dataset.go === home;
    if (here) b.setAttribute("aria-current", "page"); else b.removeAttribute("aria-current");
  }
}
const mark = (state) => el("span", { class: `mark ${state}`, "aria-label": state }, SHAPES[state] || "○");
const bar = (step, done, total) => el("div", {}, el("p", { class: "small" }, step),
  el("progress", total > 1 ? { value: done, max: total } : {}));

function working(survey) {
  if (survey.state === "waiting") return bar("The survey waits for its turn", 0, 0);
  if (survey.state === "running") return bar(survey.step || "Working out the survey", survey.done, survey.total);
  if (survey.state === "refused") return el("div", { class: "sheet red" }, survey.sentence);
  return null;
}

// --- shoots ---
async function shoots(asked, fresh) {
  const job = await get("/api/job");
  if (!fresh()) return;
  head(job.job);
  const list = job.shoots.map((s) => el("button", { class: "row", onclick: () => go({ name: "shoot", shoot: s.name }) },
    mark(s.light.state),
    el("span", {}, s.name, el("br"), el("span", { class: "small" },
      `${s.photos} photo${s.photos === 1 ? "" : "s"}` + (Sending.of(s.name).some((p) => p.state === "waiting") ? ", some on their way" : ""))),
    el("span", { class: "small" }, { running: "working …", waiting: "waiting …", refused: "look here" }[s.survey.state] || "")));
  const name = el("input", { maxlength: 60, placeholder: "door shut, second try", "aria-label": "Name of the new shoot" });
  fill(main, 
    el("p", {}, "A shoot is photos taken while nothing moves. If something moved, it is a new shoot."),
    el("div", { class: "stack" }, list),
    job.camera ? null : el("p", { class: "sheet amber" }, "No camera file: photos of the board, and `fitscan calibrate`, make every number surer."),
    el("h2", {}, "New shoot"), name,
    el("div", { class: "stack" }, el("button", {
      onclick: async () => {
        try { const made = await post("/api/shoots", { name: name.value || " " }); go({ name: "shoot", shoot: made.name }); }
        catch (error) { say(error.message); }
      } }, "Begin this shoot")));
  again(4000);
}

// --- one shoot ---
function photoRow(shoot, p) {
  return el("div", { class: "row" }, mark(p.mark),
    el("span", {}, p.name, el("br"), el("span", { class: "small" }, p.sentence)),
    el("img", { class: "thumb", loading: "lazy", alt: "", src: at("api", "shoots", shoot, "small", p.name) }));
}
function onTheWay(p) {
  return el("div", { class: "row" }, mark(p.state === "waiting" ? "waiting" : p.state),
    el("span", {}, p.name, el("br"), el("span", { class: "small" }, p.sentence || "on its way"),
      p.state === "waiting" ? el("progress", { value: p.sent, max: p.size }) : null));
}
async function shoot(asked, fresh) {
  const seen = await get(at("api", "shoots", asked.shoot));
  if (!fresh()) return;
  head(seen.name, "shoots");
  const picker = (camera) => el("input", {
    type: "file", multiple: camera ? false : true, capture: camera ? "environment" : false,
    accept: "image/jpeg,image/png,image/heic,image/heif,.jpg,.jpeg,.png,.heic",
    onchange: (event) => { Sending.add(seen.name, [...event.target.files]); event.target.value = ""; show(); },
  });
  const moving = el("div", { id: "moving" });
  const paint = () => {
    const here = new Set(seen.photos.map((p) => p.name));
    const rows = Sending.of(seen.name).filter((p) => p.state === "waiting" || p.state === "bad" || !here.has(p.name));
    fill(moving, (rows.length ? [el("h2", {}, "On their way"), ...rows.map(onTheWay)] : []));
  };
  paint();
  asked.paint = paint;
  const wish = el("input", { type: "number", min: 0.05, step: 0.05, value: seen.light.wish_mm, inputmode: "decimal", "aria-label": "Wanted U in mm" });
  wish.addEventListener("change", async () => {
    try { await post(at("api", "shoots", seen.name, "wish"), { u_mm: Number(wish.value) }); show(); }
    catch (error) { say(error.message); }
  });
  fill(main, 
    el("div", { class: `sheet ${seen.light.state}`, id: "light" }, el("div", { class: "row" }, mark(seen.light.state), el("strong", {}, seen.light.sentence))),
    el("div", { id: "working" }, working(seen.survey)),
    seen.advice.length ? el("div", { class: "sheet", id: "advice" }, el("strong", {}, "Next photo"),
      seen.advice.map((a) => el("p", {}, a)),
      seen.sketch ? el("img", { alt: "Where to stand for the next photo", src: at("api", "shoots", seen.name, "sketch") + "?" + Date.now() }) : null) : null,
    el("div", { class: "stack" },
      el("label", { class: "press main" }, "Take a photo", picker(true)),
      el("label", { class: "press" }, "Choose photos on this phone", picker(false))),
    moving,
    seen.warnings.map((w) => el("p", { class: "sheet amber" }, w)),
    el("label", {}, "Stop when all is known within ± mm (U, k = 2)", wish),
    seen.light.state === "dark" ? null : el("div", { class: "stack" }, maker("Turn it in 3-D", { kind: "scene", survey: seen.name })),
    el("h2", {}, `${seen.photos.length} photo${seen.photos.length === 1 ? "" : "s"} here`),
    el("div", { class: "stack" }, seen.photos.map((p) => photoRow(seen.name, p))),
    el("div", { class: "stack" }, el("button", { onclick: async () => {
      try { await post(at("api", "shoots", seen.name, "survey"), {}); show(); } catch (error) { say(error.message); } } }, "Work it out again")));
  again(["running", "waiting"].includes(seen.survey.state) || Sending.left() ? 1500 : 5000);
}

// --- results ---
function choose(label, options, value) {
  const list = el("select", {}, options.map((o) => el("option", { value: o, selected: o === value }, o)));
  return { list, node: el("label", {}, label, list) };
}
const number = (label, value, step) => {
  const field = el("input", { type: "number", min: 0, step, value, inputmode: "decimal" });
  return { field, node: el("label", {}, label, field) };
};
async function ask(task) {
  try { const made = await post("/api/tasks", task); go({ name: "result", result: made.task }); }
  catch (error) { say(error.message); }
}
async function results(asked, fresh) {
  const job = await get("/api/job");
  if (!fresh()) return;
  head("Results");
  const surveys = job.surveys.map((s) => s.name);
  fill(main, 
    surveys.length ? el("div", { class: "stack" },
      el("button", { class: "main", onclick: () => go({ name: "gap" }) }, "Bar against its recess"),
      el("button", { class: "main", onclick: () => go({ name: "recheck" }) }, "Part against its record"),
      el("button", { onclick: () => go({ name: "angles" }) }, "Angles and levels"),
      el("button", { onclick: () => go({ name: "record" }) }, "Keep a record")) :
      el("p", { class: "sheet amber" }, "No shoot has a survey yet: send photos first."),
    job.results.length ? el("h2", {}, "Earlier") : null,
    el("div", { class: "stack" }, job.results.map((r) => {
      const [kind, day, time] = r.split("-");
      const when = `${day.slice(6)}.${day.slice(4, 6)}.${day.slice(0, 4)}, ${time.slice(0, 2)}:${time.slice(2, 4)}`;
      return el("button", { class: "row", onclick: () => go({ name: "result", result: r }) }, mark("waiting"),
        el("span", {}, NAMES[kind] || kind, el("br"), el("span", { class: "small" }, when)));
    })));
}
const NAMES = { gap: "Bar against its recess", recheck: "Part against its record", angles: "Angles and levels" };

async function gap(asked, fresh) {
  const job = await get("/api/job");
  if (!fresh()) return;
  head("Bar against its recess", "results");
  const all = job.surveys.flatMap((s) => s.tubes.map((t) => ({ label: `${t} (in ${s.name})`, survey: s.name, tube: t })));
  const labels = all.map((a) => a.label);
  const bar_ = choose("The bar", labels), seat = choose("Its recess: the stub", labels, labels[labels.length - 1]);
  const on = choose("Part that both shoots show", job.parts, job.parts.includes("trim") ? "trim" : job.parts[0]);
  const limit = number("Tolerance, mm", 2, 0.1);
  fill(main, bar_.node, seat.node, on.node, limit.node, el("button", { class: "main", onclick: () => {
    const b = all[bar_.list.selectedIndex], s = all[seat.list.selectedIndex];
    ask({ kind: "gap", bar_survey: b.survey, bar: b.tube, target_survey: s.survey, target: s.tube, on: on.list.value, tolerance_mm: Number(limit.field.value) });
  } }, "Measure the gap"));
}
async function recheck(asked, fresh) {
  const job = await get("/api/job");
  if (!fresh()) return;
  head("Part against its record", "results");
  if (!job.records.length) { fill(main, el("p", { class: "sheet amber" }, "No record is kept yet: keep one before the part comes out.")); return; }
  const record_ = choose("Record", job.records), survey = choose("Shoot of today", job.surveys.map((s) => s.name));
  const limit = number("Largest shift that you accept, mm", 1, 0.1);
  fill(main, record_.node, survey.node, limit.node, el("button", { class: "main", onclick: () =>
    ask({ kind: "recheck", record: record_.list.value, survey: survey.list.value, tolerance_mm: Number(limit.field.value) }) }, "Compare"));
}
async function angles(asked, fresh) {
  const job = await get("/api/job");
  if (!fresh()) return;
  head("Angles and levels", "results");
  const survey = choose("Shoot", job.surveys.map((s) => s.name), asked.survey);
  survey.list.onchange = () => go({ name: "angles", survey: survey.list.value });
  const now = job.surveys.find((s) => s.name === survey.list.value) || { tubes: [], parts: [] };
  const tick = (text) => { const box = el("input", { type: "checkbox" }); return { text, box, node: el("label", { class: "tick" }, box, text) }; };
  const lean = now.tubes.map(tick), level = now.tubes.map(tick), mirror = now.parts.map(tick);
  const limit = number("Tolerance, degrees", 0.1, 0.05);
  const chosen = (list) => list.filter((t) => t.box.checked).map((t) => t.text);
  fill(main, survey.node, el("h2", {}, "How does it lean"), ...lean.map((t) => t.node), el("h2", {}, "How level does it lie"), ...level.map((t) => t.node),
    el("h2", {}, "Left against right"), ...mirror.map((t) => t.node), limit.node, el("button", { class: "main", onclick: () =>
      ask({ kind: "angles", survey: survey.list.value, lean: chosen(lean), level: chosen(level), symmetry: chosen(mirror), tolerance_deg: Number(limit.field.value) }) }, "Measure"));
}
async function record(asked, fresh) {
  const job = await get("/api/job");
  if (!fresh()) return;
  head("Keep a record", "results");
  const survey = choose("Shoot", job.surveys.map((s) => s.name));
  const part = choose("Part that will come out", job.parts, job.parts.includes("cage") ? "cage" : undefined);
  const on = choose("Part that stays", job.parts, "shell");
  const name = el("input", { maxlength: 60, value: "cage tacked", "aria-label": "Name of the record" }), note = el("input", { maxlength: 500, "aria-label": "A sentence to keep with it" });
  fill(main, survey.node, part.node, on.node, el("label", {}, "Name", name), el("label", {}, "A sentence to keep with it", note),
    el("button", { class: "main", onclick: () => ask({ kind: "record", survey: survey.list.value, part: part.list.value, on: on.list.value, name: name.value, note: note.value }) }, "Keep it"));
}

// A button that has a document made and then becomes the way to it.
function maker(label, task, printed) {
  const box = el("div", { class: "stack" });
  const begin = async () => {
    try {
      const made = await post("/api/tasks", task);
      for (;;) {
        const job = await get(at("api", "tasks", made.task));
        if (job.state === "refused") { fill(box, el("div", { class: "sheet red" }, job.sentence)); return; }
        if (job.state === "done") break;
        fill(box, bar(job.step || "Making it", job.done, job.total));
        await new Promise((resolve) => setTimeout(resolve, 700));
      }
      MADE.set(JSON.stringify(task), made.task);
      opened(made.task);
    } catch (error) { say(error.message); }
  };
  const opened = (name) => fill(box, el("a", { class: "press", target: "_blank", rel: "noopener", href: at("show", name) }, "Open it"),
    printed ? el("a", { class: "press", href: at("api", "results", name, "files", `${name}.pdf`) }, "For paper (PDF)") : null);
  const known = MADE.get(JSON.stringify(task));
  if (known) opened(known); else fill(box, el("button", { onclick: begin }, label));
  return box;
}
const MADE = new Map();

// --- one result: every number with its unit and its U, whatever kind of result it is ---
const UNIT = /_(mm|deg|px|percent|cm2)$/;
const shown = (x, unit) => (typeof x === "number" ? x.toFixed(unit === "deg" ? 3 : 2) : String(x));
function valueWith(row, key) {
  const unit = (key.match(UNIT) || [])[1] || "";
  const name = key.replace(UNIT, "");
  const u = row[`${name}_U_${unit}`];
  const one = (x, y) => `${shown(x, unit)}${y == null ? "" : ` ± ${shown(y, unit)}`}`;
  const value = row[key];
  const axes = ["X", "Y", "Z"];
  const text = Array.isArray(value) ? value.map((x, i) => `${axes[i] || ""} ${one(x, Array.isArray(u) ? u[i] : u)}`).join(", ") : one(value, u);
  return `${text}${unit ? ` ${unit === "deg" ? "°" : unit}` : ""}`;
}
function tableOf(rows) {
  const keys = Object.keys(rows[0]).filter((k) => !/_U_/.test(k) && rows.every((r) => r[k] === null || typeof r[k] !== "object" || (Array.isArray(r[k]) && r[k].length === 3 && typeof r[k][0] === "number")));
  const word = (k) => k.replace(UNIT, "").replaceAll("_", " ");
  return el("div", { class: "wide" }, el("table", {}, el("thead", {}, el("tr", {}, keys.map((k) => el("th", {}, word(k))))),
    el("tbody", {}, rows.map((r) => el("tr", {}, keys.map((k) => el("td", {}, r[k] === null ? "" : UNIT.test(k) ? valueWith(r, k) : String(r[k]))))))));
}
function tables(content) {
  const found = [];
  const visit = (name, value) => {
    if (Array.isArray(value) && value.length && typeof value[0] === "object" && !Array.isArray(value[0])) {
      if (Object.keys(value[0]).some((k) => UNIT.test(k) || k === "value")) found.push(el("h2", {}, name.replaceAll("_", " ")), tableOf(value));
      value.forEach((v) => Object.entries(v).forEach(([k, inner]) => visit(k, inner)));
    }
  };
  Object.entries(content).forEach(([k, v]) => visit(k, v));
  return found;
}
function worst(kind, content) {
  if (kind !== "fitscan.gap") return null;
  const stations = content.straights.flatMap((s) => s.stations);
  if (!stations.length) return null;
  const far = stations.reduce((a, b) => (b.total_mm > a.total_mm ? b : a));
  return el("div", { class: "figure" }, valueWith(far, "total_mm"), el("div", { class: "small" }, `largest gap, ${far.along_mm.toFixed(0)} mm along the bar, U with k = 2`));
}
function tone(content) {
  const said = JSON.stringify(content);
  if (/"verdict":"(out|proven out)/i.test(said)) return "red";
  return /"verdict":"(open|undecided|cannot)/i.test(said) ? "amber" : "green";
}
async function result(asked, fresh) {
  head(NAMES[asked.result.split("-")[0]] || "Result", "results");
  const job = await get(at("api", "tasks", asked.result)).catch((e) => { if (e.status === 404) return { state: "done" }; throw e; });
  if (!fresh()) return;
  if (job.state === "refused") { fill(main, el("div", { class: "sheet red" }, job.sentence)); return; }
  if (job.state !== "done") { fill(main, bar(job.step || "Working it out", job.done, job.total)); again(700); return; }
  if (asked.result.startsWith("record-")) { fill(main, el("p", { class: "sheet green" }, "The record is kept. Nothing writes over it.")); return; }
  const said = await get(at("api", "results", asked.result));
  if (!fresh()) return;
  const c = said.content;
  fill(main, 
    el("div", { class: `sheet ${tone(c)}` }, worst(said.kind, c), (c.sentences || []).map((s) => el("p", {}, s))),
    (c.warnings || []).map((w) => el("p", { class: "sheet amber" }, w)),
    said.pictures.map((p) => el("a", { href: at("api", "results", asked.result, "files", p) }, el("img", { alt: p, src: at("api", "results", asked.result, "files", p) }))),
    said.notes.map((n) => el("p", { class: "small" }, n)),
    ...tables(c),
    el("div", { class: "stack" }, maker("Make the report", { kind: "report", result: asked.result }, true)),
    c.caution ? el("p", { class: "sheet" }, c.caution) : null);
}

// --- phones ---
async function phones(asked, fresh) {
  const said = await get("/api/phones");
  if (!fresh()) return;
  head("Phones");
  fill(main, 
    el("div", { class: "stack" }, said.phones.map((p) => el("div", { class: "sheet row" }, mark(p.this ? "good" : "waiting"),
      el("span", {}, p.name + (p.this ? " (this one)" : ""), el("br"), el("span", { class: "small" }, `since ${p.joined.slice(0, 10)}`)),
      el("button", { class: "plain", onclick: async () => { try { await Sending.call("DELETE", at("api", "phones", p.id)); show(); } catch (error) { say(error.message); } } }, "Remove")))),
    el("h2", {}, "Another phone"), el("p", {}, "Let it scan this. The code works once."),
    el("img", { id: "code", alt: "Code for another phone", src: `/api/phones/invitation?${Date.now()}` }));
  again(15000);
}

const SCREENS = { shoots, shoot, results, gap, recheck, angles, record, result, phones };
for (const b of document.querySelectorAll("nav button")) b.addEventListener("click", () => go({ name: b.dataset.go }));
Sending.watch(() => { if (place.paint) place.paint(); });
Sending.resume();
show();
