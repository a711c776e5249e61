// Draws the description of the API with assets of our own.
"use strict";
SwaggerUIBundle({ url: document.getElementById("swagger-ui").dataset.url, dom_id: "#swagger-ui", deepLinking: true, validatorUrl: null, presets: [SwaggerUIBundle.presets.apis], layout: "BaseLayout" });
