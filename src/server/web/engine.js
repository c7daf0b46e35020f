// Who answers this page: the server that it came from.

export { server as core } from "./core.js";
