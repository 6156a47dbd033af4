// A whole sounding on the bench page, by mouse or by keyboard; then its sheet as PDF, a recording
// dropped in, two soundings compared, an ear test, a lot: each view checked for accessibility and
// drawn at three sizes. Arguments: address, folder for pictures, `mouse` or `keyboard`.
// Says PLAY when the wheel is to be tapped; the test program plays the taps then.
import fs from "node:fs";
import path from "node:path";
import { createRequire } from "node:module";

const [address, folder, how, recording] = process.argv.slice(2);
const require = createRequire(path.join(process.env.FOURTAP_BROWSER_PARTS, "package.json"));
const { chromium } = require("playwright-core");
const axe = fs.readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");
const faults = [];
const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM,
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--autoplay-policy=no-user-gesture-required"],
});

const open = async (options) => {
  const page = await (await browser.newContext(options)).newPage();
  page.on("pageerror", (e) => faults.push(`script: ${e.message}`));
  page.on("console", (m) => { if (m.type() === "error") faults.push(`console: ${m.text()}`); });
  page.on("request", (r) => { if (!r.url().startsWith(address) && !/^(data|blob):/.test(r.url())) faults.push(`asks outside: ${r.url()}`); });
  return page;
};
const look = async (page, name) => {
  await page.evaluate(axe);
  const tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];
  const found = await page.evaluate((runOnly) => axe.run(document, { runOnly }), tags);
  for (const v of found.violations) faults.push(`${name}: ${v.id}: ${v.nodes[0].html.slice(0, 160)}`);
  if (!found.passes.length) faults.push(`${name}: the checker checked nothing`);
  const over = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  if (over > 0) faults.push(`${name}: ${over} px wider than the window`);
  await page.screenshot({ path: path.join(folder, `${name}.png`), fullPage: true });
};
// Pictures for the documents, on demand.
const keep = async (page, name) => {
  const to = process.env.FOURTAP_WRITE_PICTURES;
  if (to && how === "mouse") await page.screenshot({ path: path.join(to, `${name}.png`) });
};
const expect = (is, words) => { if (!is) faults.push(words); };
const order = (page, start) => page.waitForFunction((s) => document.querySelector("#order").textContent.startsWith(s), start, { timeout: 30000 });

const page = await open({ viewport: { width: 1366, height: 820 } });
await page.goto(address);
await keep(page, "page-home");
if (how === "keyboard") {
  // Typed blind, as a scanner does; the field has the focus already.
  await page.keyboard.type("HL-1");
  await page.keyboard.press("Enter");
} else {
  await page.getByLabel("Which wheel?").fill("HL-1");
  await page.getByRole("button", { name: "Go on" }).click();
}
await page.waitForURL(/\/wheels\/new/);
expect(await page.getByLabel("Id *").inputValue() === "HL-1", "the id that was typed is not in the form");
await page.getByLabel("Diameter × thickness × hole *").fill("200x20x32");
await page.getByLabel("Maximum speed").fill("3350rpm");
if (how === "keyboard") await page.keyboard.press("Enter");
else await page.getByRole("button", { name: "Add it" }).click();
await page.waitForURL(/\/sound\/prepare/);
if (how === "keyboard") {
  // From question to question by Tab, the answer by the arrow keys.
  await page.locator("input[name=power]:checked").focus();
  for (const key of ["power", "seen", "dry"]) {
    await page.keyboard.press("ArrowDown");
    expect(await page.evaluate((k) => document.activeElement.name === k && document.activeElement.value === "yes", key), `no answer to ${key} by keys`);
    await page.keyboard.press("Tab");
  }
  await page.keyboard.type("Ada");
  await page.keyboard.press("Enter");
} else {
  for (const key of ["power", "seen", "dry"]) await page.locator(`input[name=${key}][value=yes]`).check();
  await page.getByLabel("Who sounds it").fill("Ada");
  await keep(page, "page-prepare");
  await page.getByRole("button", { name: "Begin with the microphone" }).click();
}
await page.waitForURL(/\/sound$/);
await order(page, "Tap spot 1");
await look(page, `${how}-tap`);
console.log("PLAY");
for (let k = 1; k <= 4; k += 1) {
  await order(page, `What did you hear at spot ${k}`);
  const reading = await page.locator("#readings .mark-ring, #readings .mark-dead, #readings .mark-again").count();
  expect(reading === k - 1, `${reading} readings before the ear's word for tap ${k}`);
  if (k === 2) {
    await keep(page, "page-ear");
    await look(page, `${how}-ear`);
    await page.reload();
    await order(page, "What did you hear at spot 2");
  }
  if (k === 3) {
    // A second page sees the same, and may answer.
    const second = await open({ viewport: { width: 800, height: 600 } });
    await second.goto(`${address}sound`);
    await order(second, "What did you hear at spot 3");
    await second.keyboard.press("r");
    await page.waitForFunction(() => document.querySelectorAll("#readings .mark-ring").length === 3, null, { timeout: 20000 });
    await second.close();
  } else if (how === "keyboard") await page.keyboard.press("r");
  else await page.getByRole("button", { name: "It rang" }).click();
}
await page.waitForFunction(() => !document.querySelector("#end").hidden, null, { timeout: 60000 });
expect(await page.locator("#outcome").textContent() === "RINGS, NOT COMPARED", `outcome ${await page.locator("#outcome").textContent()}`);
const large = await page.locator("#outcome").evaluate((e) => parseFloat(getComputedStyle(e).fontSize));
expect(large >= 60, `the outcome is ${large} px high: not to be read from three metres`);
await keep(page, "page-outcome");
await look(page, `${how}-outcome`);
await page.getByRole("link", { name: "Pictures and sounds" }).click();
await page.waitForURL(/\/soundings\/\d+$/);
const number = Number(page.url().split("/").pop());
for (const details of await page.locator("article details summary").all()) await details.click();
await page.evaluate(() => document.querySelectorAll("img").forEach((i) => { i.loading = "eager"; }));
await page.waitForFunction(() => [...document.images].every((i) => i.complete && i.naturalWidth > 0), null, { timeout: 60000 });
const played = await page.evaluate(async () => {
  const audio = document.querySelector("audio");
  await audio.play();
  audio.currentTime = audio.duration / 2;
  await new Promise((done) => setTimeout(done, 300));
  audio.pause();
  return [audio.duration, audio.currentTime];
});
expect(played[0] > 0.3 && played[1] >= played[0] / 2, `the tap plays ${played}`);
await page.evaluate(() => document.querySelector("img[src$='spectrum.svg']").scrollIntoView({ block: "center" }));
await keep(page, "page-sounding");
await look(page, `${how}-sounding`);

await page.goto(`${address}soundings/${number}/sheet`);
await page.pdf({ path: path.join(folder, `${how}-sheet.pdf`), preferCSSPageSize: true });
expect((await page.content()).includes("RINGS, NOT COMPARED"), "the sheet has no outcome");

if (how === "mouse") {
  await page.goto(`${address}sound/prepare?wheel=HL-1`);
  await page.getByText("Or read a recording").click();
  await page.setInputFiles("#file", recording);
  await page.getByLabel("What the ear heard, tap by tap").fill("ring ring ring thud");
  await page.getByRole("button", { name: "Read and keep it" }).click();
  await page.waitForURL(/\/soundings\/\d+$/, { timeout: 60000 });
  expect((await page.locator(".outcome-large").textContent()).includes("sounds dead"), "a heard thud does not count");
  const other = page.url().split("/").pop();
  await page.goto(`${address}compare?a=${number}&b=${other}`);
  await page.waitForFunction(() => [...document.images].every((i) => i.complete && i.naturalWidth > 0), null, { timeout: 60000 });
  await look(page, "compare");
  await page.goto(`${address}soundings/${other}/tag`);
  expect((await page.content()).includes("DO NOT USE"), "the tag does not say what it is for");

  await page.goto(`${address}teach`);
  await page.getByLabel("Who listens *").fill("Bo");
  await page.getByLabel("Sounds").fill("4");
  await page.getByRole("button", { name: "Begin a round" }).click();
  await page.waitForURL(/\/teach\/ear\/\d+$/);
  await keep(page, "page-ear-test");
  await look(page, "ear");
  for (let k = 1; k <= 4; k += 1) {
    expect(await page.locator("#place").textContent() === String(k), `the place is not ${k}`);
    await page.keyboard.press("t");
    expect(await page.locator("#told").textContent() === "Play the sound first.", "an answer was taken before the sound");
    await page.keyboard.press("p");
    await page.waitForFunction(() => !document.querySelector("[data-said=ring]").disabled, null, { timeout: 30000 });
    await page.keyboard.press(k % 2 ? "r" : "t");
    await page.waitForFunction(() => document.querySelector("[data-said=ring]").disabled);
  }
  await page.waitForFunction(() => !document.querySelector("#result").hidden);
  expect((await page.locator("#result").textContent()).includes("Bo, round 1: 4 made-up sounds"), "no result of the ear test");
  await look(page, "ear-result");
  await page.goto(`${address}teach/training?trainee=Bo`);
  expect((await page.content()).includes("Record of training: Bo"), "no record of training");
  await page.pdf({ path: path.join(folder, "training.pdf"), preferCSSPageSize: true });
  // The page is made when it is first wanted, which takes its time on a busy machine.
  await page.goto(`${address}teach/class`, { timeout: 240000 });
  expect(await page.locator("audio").count() > 5, "the page for a class has no sounds");
  await page.evaluate(() => window.scrollTo(0, 520));
  await keep(page, "teach-class");

  await page.goto(`${address}lots?number=200`);
  await keep(page, "page-lots");
  await page.goto(`${address}lots`);
  await page.getByLabel("Wheels in the lot *").fill("20");
  await page.getByLabel("Name of the lot *").fill("L 7/a");
  await page.getByLabel("Diameter × thickness × hole *").fill("200x20x32");
  await page.getByRole("button", { name: "Add the lot" }).click();
  await page.waitForURL(/\/lots\/L/);
  await look(page, "lot");
  const views = { home: "", prepare: "sound/prepare?wheel=HL-1", sounding: `soundings/${number}`, wheels: "wheels", wheel: "wheels/HL-1",
    grinders: "grinders", fit: "fit?wheel=HL-1", after: "wheels/HL-1/after", lots: "lots?number=200", teach: "teach", records: "records",
    verify: "records/verify", settings: "settings", specifications: "specifications", gauge: "gauge", modes: "wheels/HL-1/modes", again: `soundings/${number}/reread`, bench: "sound",
    baselines: "baselines", room: "records/room?before=2999-01-01", recordings: "teach/recordings", record: `records/${number}` };
  for (const [width, height, colorScheme] of [[360, 740, "light"], [1366, 820, "dark"], [2560, 1300, "light"]]) {
    const sized = await open({ viewport: { width, height }, colorScheme });
    for (const [name, at] of Object.entries(views)) {
      await sized.goto(address + at);
      await look(sized, `${name}-${width}`);
    }
    await sized.close();
  }
}
await browser.close();
for (const fault of faults) console.log(`FAULT ${fault}`);
console.log("DONE");
