// View module: reading a QR code with the camera, where the browser can, and saying plainly where it cannot.

const LOOK_EVERY_MS = 200;
const GIVE_UP_AFTER_MS = 60_000;

/** Why the camera cannot read codes here, in a sentence; empty when it can. */
export async function cannotScan() {
  if (!navigator.mediaDevices?.getUserMedia) {
    return "The camera works only over https. Type the code, or use a scanner that types.";
  }
  if (!("BarcodeDetector" in window)) {
    return "This browser cannot read QR codes with the camera. Type the code, or use a scanner that types.";
  }
  const formats = await BarcodeDetector.getSupportedFormats().catch(() => []);
  return formats.includes("qr_code")
    ? ""
    : "This tablet has no reader for QR codes. Type the code, or use a scanner that types.";
}

/** Wires a scan button; `onRead(text)` gets what the label holds. */
export function wireScan(root, onRead) {
  const [start, view, video, stop, words] = [
    "[data-scan]",
    "[data-scan-view]",
    "[data-scan-video]",
    "[data-scan-stop]",
    "[data-scan-words]",
  ].map((selector) => root.querySelector(selector));
  let stream = null;

  const close = () => {
    for (const track of stream?.getTracks() ?? []) {
      track.stop();
    }
    stream = null;
    video.srcObject = null;
    view.hidden = true;
    start.hidden = false;
  };

  cannotScan().then((why) => {
    words.textContent = why;
    start.hidden = why !== "";
  });

  start.addEventListener("click", async () => {
    try {
      stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" }, audio: false });
    } catch (error) {
      words.textContent =
        error.name === "NotAllowedError"
          ? "The camera is not allowed for this page. Allow it in the browser, or type the code."
          : "No camera answered. Type the code, or use a scanner that types.";
      return;
    }
    video.srcObject = stream;
    view.hidden = false;
    start.hidden = true;
    words.textContent = "Hold the label in the picture.";
    await video.play();
    look(new BarcodeDetector({ formats: ["qr_code"] }), performance.now());
  });
  stop.addEventListener("click", () => {
    close();
    words.textContent = "";
    start.focus();
  });
  // a camera left on drains the tablet and looks at people
  window.addEventListener("pagehide", close);
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "hidden") {
      close();
    }
  });

  async function look(detector, since) {
    if (!stream) {
      return;
    }
    // a frame that is not ready yet is looked at again
    const found = await detector.detect(video).catch(() => []);
    if (stream && found.length) {
      close();
      words.textContent = `Read: ${found[0].rawValue.slice(0, 40)}`;
      onRead(found[0].rawValue);
    } else if (performance.now() - since > GIVE_UP_AFTER_MS) {
      close();
      words.textContent = "Nothing was read in a minute, so the camera is off. Try again, or type the code.";
    } else {
      setTimeout(() => look(detector, since), LOOK_EVERY_MS);
    }
  }
}
