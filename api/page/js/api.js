// Questions and commands over HTTP. A refusal comes back as a problem (RFC 9457) with its remedy, in
// the reader's language; silence comes back as one too, so that no caller takes it for success.

import { told } from "./messages.js";
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
async function request(method, path, body, timeoutMs, asFile = false, base = "") {
  const raw = body instanceof Blob;
  let response;
  try {
    response = await fetch(`${base}${path}`, {
      method,
      credentials: base ? "include" : "same-origin",
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
  for (const part of ["detail", "remedy"]) if (problem[part]) problem[part] = told(problem, part);
  return { ok: false, status: response.status, problem };
}

export const get = (path, timeoutMs = 8000) => request("GET", path, undefined, timeoutMs);
export const post = (path, body, timeoutMs = 3000) => request("POST", path, body ?? {}, timeoutMs);

/** What begins a test: it runs by then, and what heat says of it may take some seconds. */
export const postStart = (path, body) => post(path, body, 8000);

/** A file as it is. */
export const postBytes = (path, file, timeoutMs = 30_000) => request("POST", path, file, timeoutMs);

export const put = (path, body, timeoutMs = 5000) => request("PUT", path, body, timeoutMs);

export const remove = (path, timeoutMs = 5000) => request("DELETE", path, undefined, timeoutMs);

/** An answer that is a document, as a blob. */
export const postFile = (path, body, timeoutMs = 30_000) => request("POST", path, body, timeoutMs, true);

// Easing off, helm and state have a listener of their own where the service says so: what others ask
// of the service, and what this page itself is waiting for, is not in its way there.
const LANE_MS = 1000;
const LANE_AGAIN_MS = 10_000;
const lane = { base: "", downUntil: 0 };

/** @param {number | undefined} port of the helm process, 0 without one */
export function useLane(port) {
  lane.base = port ? `${location.protocol}//${location.hostname}:${port}` : "";
}

/** Where to ask for what has a listener of its own; "" is the service. */
export function laneBase() {
  return performance.now() >= lane.downUntil ? lane.base : "";
}

/** It did not answer: the service is asked for a while. */
export function laneFailed() {
  lane.downUntil = performance.now() + LANE_AGAIN_MS;
}

/**
 * A command of the helm: by its own listener, and by the service when that does not answer.
 * @returns {Promise<Answer>}
 */
export async function postHelm(path, body, timeoutMs = 3000) {
  const base = laneBase();
  if (base) {
    const answer = await request("POST", path, body ?? {}, Math.min(timeoutMs, LANE_MS), false, base);
    if (answer.status !== 0) return answer;
    laneFailed();
  }
  return post(path, body, timeoutMs);
}

/** Ease off by both ways at once; three quick tries, because it matters. Resolves with the best answer. */
export async function easeOff() {
  /** @type {Answer} */
  let answer = { ok: false, status: 0, problem: { code: "no-answer" } };
  for (let attempt = 0; attempt < 3; attempt += 1) {
    const ways = new Set([laneBase(), ""]);
    const tries = [...ways].map(async (base) => {
      const one = await request("POST", "/api/ease-off", {}, 1000, false, base);
      if (!one.ok) {
        if (one.status >= 400 || !answer.status) answer = one;
        throw new Error("not eased");
      }
      return one;
    });
    try {
      return await Promise.any(tries);
    } catch {
      if (answer.status >= 400) return answer;
    }
  }
  return answer;
}
