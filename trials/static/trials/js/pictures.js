// View module: a photo made ready to travel. A smaller one goes first, so that a whole session fits through a weak
// network; the camera's own file follows when nothing else waits. Where it was taken leaves both: drawing anew drops it
// here, and the server writes anew whatever comes.

const TRAVELS = new Set(["image/jpeg", "image/png", "image/webp"]);
const LARGEST_BYTES = 20 * 1024 * 1024;
const SMALLER_SIDE_PX = 2048;
const QUALITY = 0.85;

/**
 * {blob, isOriginal, original} of a chosen file: what goes first, whether that is the camera's own file already, and
 * the own file to follow, or null. Rejects with a sentence when the browser cannot read it.
 */
export async function readyToTravel(file) {
  let picture;
  try {
    picture = await createImageBitmap(file, { imageOrientation: "from-image" });
  } catch {
    throw new Error("This browser cannot read that photo. Set the camera to JPEG and take it again.");
  }
  const travels = TRAVELS.has(file.type) && file.size <= LARGEST_BYTES;
  const scale = Math.min(1, SMALLER_SIDE_PX / Math.max(picture.width, picture.height));
  if (travels && scale === 1) {
    picture.close();
    return { blob: file, isOriginal: true, original: null };
  }
  const canvas = document.createElement("canvas");
  canvas.width = Math.round(picture.width * scale);
  canvas.height = Math.round(picture.height * scale);
  canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
  picture.close();
  const blob = await new Promise((made) => {
    canvas.toBlob(made, "image/jpeg", QUALITY);
  });
  if (!blob) {
    throw new Error("The tablet ran out of room for that photo. Close other pages and take it again.");
  }
  return { blob, isOriginal: false, original: travels ? file : null };
}
