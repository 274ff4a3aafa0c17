// Photos from a camera are made smaller before they travel: less to send, and what else a camera writes into them stays here.

/** As much as the bench keeps; more is made smaller there. Pixels along the longer side. */
export const LONGEST_SIDE_PX = 2560;
const QUALITY = 0.85;
/** What the bench takes at most, bytes. */
export const LARGEST_BYTES = 12 * 1024 * 1024;

/**
 * The size that fits, in the same proportions; never larger than it was.
 * @param {number} width
 * @param {number} height
 * @param {number} longest
 * @returns {[number, number]}
 */
export function fitting(width, height, longest = LONGEST_SIDE_PX) {
  const factor = Math.min(1, longest / Math.max(width, height, 1));
  return [Math.max(1, Math.round(width * factor)), Math.max(1, Math.round(height * factor))];
}

/**
 * A photo as JPEG of a size that fits, upright. One that this browser cannot read goes as it is, if it is not too large:
 * the bench may be able to. Throws Error with what to do.
 * @param {File} file
 * @returns {Promise<Blob>}
 */
export async function shrunk(file) {
  let picture;
  try {
    picture = await createImageBitmap(file, { imageOrientation: "from-image" });
  } catch {
    return asItIs(file);
  }
  const [width, height] = fitting(picture.width, picture.height);
  const canvas = document.createElement("canvas");
  canvas.width = width;
  canvas.height = height;
  canvas.getContext("2d")?.drawImage(picture, 0, 0, width, height);
  picture.close();
  /** @type {Blob | null} */
  const blob = await new Promise((resolve) => { canvas.toBlob(resolve, "image/jpeg", QUALITY); });
  return blob ?? asItIs(file);
}

/** @param {File} file */
function asItIs(file) {
  if (!file.type.startsWith("image/")) throw new Error(`${file.name} is no picture (${file.type || "of no known kind"}). Choose a photo.`);
  const size = (/** @type {number} */ bytes) => `${(bytes / 1024 / 1024).toFixed(1)} MB`;
  if (file.size > LARGEST_BYTES) throw new Error(`${file.name} has ${size(file.size)}; at most ${size(LARGEST_BYTES)} can be kept, and this browser cannot make it smaller. Take it with a lower resolution.`);
  return file;
}
