"use strict";
// What the page shows and its scripts lie in it deflated, a third of their size; the policy of the page
// names the checksum of each script, so that these run and nothing else.
async function unpacked(text) {
  const coded = Uint8Array.fromBase64 ? "" : atob(text);
  const deflated = Uint8Array.fromBase64?.(text) ?? new Uint8Array(coded.length);
  for (let i = 0; i < coded.length; i++) deflated[i] = coded.charCodeAt(i);
  const stream = new Blob([deflated]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}
(async () => {
  if (typeof DecompressionStream === "undefined") {
    const fault = document.getElementById("fault");
    fault.hidden = false;
    fault.textContent = "This browser cannot unpack the recording. Chromium and Edge can from 103, "
      + "Firefox from 113, Safari from 16.4; tables of events can be read in any, outcomes in "
      + "outcomes.tsv.";
    return;
  }
  const bytes = await unpacked(document.getElementById("texts").textContent.trim());
  const [content, ...scripts] = JSON.parse(new TextDecoder().decode(bytes));
  unpacked.content = content;
  for (const text of scripts) {
    const script = document.createElement("script");
    script.textContent = text;
    document.body.append(script);
  }
})();
