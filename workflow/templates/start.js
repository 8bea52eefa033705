"use strict";
const byId = (id) => document.getElementById(id);
const token = document.querySelector("meta[name=token]").content;
const page = crypto.randomUUID();
const buttons = [...document.querySelectorAll("button[data-deed]")];

const send = (path, body = "") => fetch(path, {
  method: "POST", body, headers: { "X-Review-Token": token }, keepalive: true,
});

async function begin(deed) {
  if (deed === "stop") {
    await send("stop");
    return;
  }
  const answers = {};
  if (deed === "new") {
    for (const { name, value } of document.querySelectorAll("#new input")) answers[name] = value;
  }
  const response = await send("begin", JSON.stringify({ deed, folder: byId("folder").value, answers }));
  if (!response.ok) {
    byId("state").textContent = await response.text();
    return;
  }
  await ask();
}

const DONE = /^\s*(\d+) of (\d+)  /;

function show({ deed, folder, lines, status, stopped, results }) {
  const runs = status === null;
  for (const button of buttons) button.disabled = (button.dataset.deed === "stop") !== runs;
  const progress = lines.map((line) => DONE.exec(line)).filter(Boolean).pop();
  byId("done").hidden = !(runs && progress);
  if (progress) byId("done").value = progress[1] / progress[2];
  if (deed) {
    const where = folder || "the demo study";
    const failed = `ended with status ${status}: what to mend stands below`;
    const ends = status === 0 ? "is done" : stopped ? "was stopped" : failed;
    byId("state").textContent = `${deed}: ${where} ${runs ? "is running" : ends}.`;
    const said = byId("said"), atEnd = said.scrollTop + said.clientHeight >= said.scrollHeight - 20;
    const text = lines.join("\n") || "\u00a0";
    if (said.textContent !== text) {
      said.textContent = text;
      if (atEnd) said.scrollTop = said.scrollHeight;
    }
  }
  const list = byId("results");
  const links = results.map(([says, path]) => {
    const link = document.createElement("a");
    link.href = path.split("/").map(encodeURIComponent).join("/");
    link.target = "_blank";
    link.rel = "noopener";
    link.textContent = says;
    const item = document.createElement("li");
    item.append(link);
    return item;
  });
  if (links.length && list.textContent !== links.map((item) => item.textContent).join("")) list.replaceChildren(...links);
  return runs;
}

let waiting;
async function ask() {
  clearTimeout(waiting);
  let runs = false;
  try {
    runs = show(await (await fetch(`progress/${page}`)).json());
  } catch {
    byId("state").textContent = "The program has ended. Start it again to go on.";
    for (const button of buttons) button.disabled = true;
    return;
  }
  waiting = setTimeout(ask, runs ? 1000 : 5000);
}

for (const button of buttons) button.addEventListener("click", () => begin(button.dataset.deed));
addEventListener("pagehide", () => send("leave", page));
addEventListener("pageshow", ask);
