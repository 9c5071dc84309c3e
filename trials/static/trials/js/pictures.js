// View module: a photo made ready to travel. Online the camera's own file goes; offline a smaller one, so that a whole
// session fits on the tablet. Drawing it anew also drops where it was taken.

const TRAVELS = new Set(["image/jpeg", "image/png", "image/webp"]);
const LARGEST_BYTES = 20 * 1024 * 1024;
const SMALLER_SIDE_PX = 2048;
const QUALITY = 0.85;

/** {blob, isOriginal} of a chosen file; rejects with a sentence when the browser cannot read it. */
export async function readyToTravel(file, { isOnline }) {
  if (isOnline && TRAVELS.has(file.type) && file.size <= LARGEST_BYTES) {
    return { blob: file, isOriginal: true };
  }
  let picture;
  try {
    picture = await createImageBitmap(file, { imageOrientation: "from-image" });
  } catch {
    throw new Error("This browser cannot read that photo. Set the camera to JPEG and take it again.");
  }
  const scale = Math.min(1, SMALLER_SIDE_PX / Math.max(picture.width, picture.height));
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
  return { blob, isOriginal: false };
}
