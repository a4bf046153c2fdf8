(function () {
  "use strict";
  var root = document.getElementById("listen");
  if (!root) { return; }
  var status = root.querySelector(".status");
  var stop = root.querySelector(".stop");
  var playing = null;

  function halt(entry) {
    entry.audio.pause();
    entry.button.setAttribute("aria-pressed", "false");
  }

  function quiet() {
    if (playing) { halt(playing); playing = null; }
    status.textContent = root.dataset.stopped;
  }

  function play(entry) {
    var from = 0;
    var last = playing;
    if (last === entry) { quiet(); return; }
    if (last) {
      // Within one row the sound goes on at the same place, on the other run.
      if (last.row === entry.row) { from = last.audio.currentTime; }
      halt(last);
    }
    playing = entry;
    entry.button.setAttribute("aria-pressed", "true");
    status.textContent = entry.button.dataset.playing;
    entry.audio.currentTime = from;
    entry.audio.play().catch(quiet);
  }

  root.querySelectorAll("tbody tr").forEach(function (row) {
    row.querySelectorAll("td").forEach(function (cell) {
      var audio = cell.querySelector("audio");
      var button = document.createElement("button");
      button.type = "button";
      button.textContent = cell.dataset.label;
      button.setAttribute("aria-label", cell.dataset.play);
      button.setAttribute("aria-pressed", "false");
      button.dataset.playing = cell.dataset.playing;
      var entry = { audio: audio, button: button, row: row };
      audio.controls = false;
      audio.hidden = true;
      button.addEventListener("click", function () { play(entry); });
      audio.addEventListener("ended", function () { if (playing === entry) { quiet(); } });
      cell.appendChild(button);
    });
  });
  stop.hidden = false;
  stop.addEventListener("click", quiet);
  quiet();
}());
