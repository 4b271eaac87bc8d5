// Questions and commands over HTTP. A refusal comes back as a problem (RFC 9457) with its remedy, in
// the reader's language; silence comes back as one too, so that no caller takes it for success.

import { said, saidReady } from "./kinds/said.js";
import { clientId } from "./settings.js";

/**
 * One answer: `data` (or `blob`) when `ok`, else `problem` (RFC 9457 or a code of our own).
 * @typedef {{ ok: boolean, status: number, data?: any, blob?: Blob, problem?: any }} Answer
 */

/**
 * @param {string} method
 * @param {string} path
 * @param {any} body
 * @param {number} timeoutMs
 * @returns {Promise<Answer>}
 */
async function request(method, path, body, timeoutMs, asFile = false) {
  const raw = body instanceof Blob;
  let response;
  try {
    response = await fetch(path, {
      method,
      headers: {
        "Drumlin-Client": clientId(),
        Accept: asFile ? "*/*" : "application/json",
        ...(body === undefined ? {} : { "Content-Type": raw ? "application/octet-stream" : "application/json" }),
      },
      body: body === undefined || raw ? body : JSON.stringify(body),
      signal: AbortSignal.timeout(timeoutMs),
      cache: "no-store",
    });
  } catch {
    return { ok: false, status: 0, problem: { code: "no-answer" } };
  }
  if (response.ok && asFile) return { ok: true, status: response.status, blob: await response.blob() };
  let data = null;
  try {
    data = await response.json();
  } catch {
    data = null;
  }
  if (response.ok) return { ok: true, status: response.status, data };
  const problem = data && typeof data === "object" ? data : {};
  if (Array.isArray(problem.detail)) problem.detail = problem.detail.map((item) => item.msg).join("; ");
  await saidReady();
  for (const part of ["detail", "remedy"]) if (problem[part]) problem[part] = said(problem[part]);
  return { ok: false, status: response.status, problem };
}

export const get = (path, timeoutMs = 8000) => request("GET", path, undefined, timeoutMs);
export const post = (path, body, timeoutMs = 3000) => request("POST", path, body ?? {}, timeoutMs);

/** A file as it is. */
export const postBytes = (path, file, timeoutMs = 30_000) => request("POST", path, file, timeoutMs);

export const put = (path, body, timeoutMs = 5000) => request("PUT", path, body, timeoutMs);

export const remove = (path, timeoutMs = 5000) => request("DELETE", path, undefined, timeoutMs);

/** An answer that is a document, as a blob. */
export const postFile = (path, body, timeoutMs = 30_000) => request("POST", path, body, timeoutMs, true);

/** Ease off: three quick tries, because it matters; resolves with the last answer. */
export async function easeOff() {
  /** @type {Answer} */
  let answer = { ok: false, status: 0, problem: { code: "no-answer" } };
  for (let attempt = 0; attempt < 3; attempt += 1) {
    answer = await post("/api/ease-off", {}, 1000);
    if (answer.ok || answer.status >= 400) return answer;
  }
  return answer;
}
