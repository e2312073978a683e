// An OPC UA server on a library that shares nothing with the gateway's. Reads one line of JSON from standard input:
//   {"port", "folder", "uri", "secured", "nodes": [{"identifier", "path", "type", "value"}]}
// `path` are browse names under Objects, `identifier` a node identifier without its namespace. Prints one line of JSON when it serves:
//   {"endpoint", "certificate"}, and then one with {"service"} for each request. Ends when standard input ends.
"use strict";
const path = require("path");
const modules = path.join(__dirname, "..", "..", "..", "deploy", "peers", "node_modules");
const load = (name) => require(path.join(modules, name));
const { OPCUAServer } = load("node-opcua-server");
const { OPCUACertificateManager } = load("node-opcua-certificate-manager");
const { nodesets } = load("node-opcua-nodesets");
const { MessageSecurityMode, SecurityPolicy } = load("node-opcua-secure-channel");
const { DataType, Variant } = load("node-opcua-variant");

async function serve(wanted) {
    const manager = new OPCUACertificateManager({ rootFolder: path.join(wanted.folder, "pki"), automaticallyAcceptUnknownCertificate: true });
    await manager.initialize();
    const users = new OPCUACertificateManager({ rootFolder: path.join(wanted.folder, "users"), name: "users" });
    await users.initialize();
    const server = new OPCUAServer({
        port: wanted.port,
        hostname: "127.0.0.1",
        nodeset_filename: [nodesets.standard],
        securityPolicies: [wanted.secured ? SecurityPolicy.Basic256Sha256 : SecurityPolicy.None],
        securityModes: [wanted.secured ? MessageSecurityMode.SignAndEncrypt : MessageSecurityMode.None],
        serverCertificateManager: manager,
        userCertificateManager: users,
        allowAnonymous: true,
    });
    await server.initialize();
    const space = server.engine.addressSpace;
    const namespace = space.registerNamespace(wanted.uri);
    const folders = new Map([["", space.rootFolder.objects]]);
    const parentOf = (steps) => {
        const key = steps.join("/");
        if (!folders.has(key)) {
            const options = { browseName: steps[steps.length - 1], organizedBy: parentOf(steps.slice(0, -1)) };
            folders.set(key, namespace.addFolder(options.organizedBy, { browseName: options.browseName }));
        }
        return folders.get(key);
    };
    for (const node of wanted.nodes) {
        const variant = new Variant({ dataType: DataType[node.type], value: node.value });
        namespace.addVariable({
            componentOf: parentOf(node.path.slice(0, -1)),
            browseName: node.path[node.path.length - 1],
            nodeId: node.identifier || undefined,
            dataType: DataType[node.type],
            value: { get: () => variant },
            minimumSamplingInterval: 50,
        });
    }
    server.on("request", (request) => console.log(JSON.stringify({ service: request.schema.name.replace(/Request$/, "") })));
    await server.start();
    const endpoint = server.getEndpointUrl();
    console.log(JSON.stringify({ endpoint, certificate: server.getCertificate().toString("base64") }));
    process.stdin.on("end", async () => {
        await server.shutdown(0);
        process.exit(0);
    });
}

let text = "";
process.stdin.setEncoding("utf8");
process.stdin.on("data", (chunk) => {
    const whole = text.includes("\n");
    text += chunk;
    if (!whole && text.includes("\n")) serve(JSON.parse(text.split("\n")[0])).catch((error) => { console.error(error); process.exit(1); });
});
